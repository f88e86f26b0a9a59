"""How fast, against a floor measured in the same run. `python -m tests.benchmarks.run`."""
