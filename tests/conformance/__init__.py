"""CDS Hooks conformance: one test for each clause that binds a service."""
