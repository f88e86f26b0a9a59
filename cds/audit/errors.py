"""What can go wrong with the ledger, for the callers that must tell it apart."""


class LedgerError(Exception):
    """Any trouble with the ledger."""


class LedgerUnavailable(LedgerError):
    """The record could not be made durable, and the setting says that there is no answer without one (503)."""


class LedgerDamaged(LedgerError):
    """What is stored does not agree with itself; nothing is appended to a chain that was changed."""
