"""The command line: serve, advise, knowledge, ledger."""
