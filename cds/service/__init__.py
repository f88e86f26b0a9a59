"""The HTTP edge: settings, clock, files, network."""
