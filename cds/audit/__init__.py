"""The append-only ledger: what was asked, read, judged and answered, in hash chains. See README.md beside this file."""
