"""Judge a recorded call again and say whether the answer is the same, byte for byte (AU-13, F-41, L-16, L-17).

Pure, but for `records.py`, which reads a ledger. Nothing of the present settings, clock or memory is used: what the answer
rested on stands in the record, or in the ledger under a content hash.
"""

from cds.replay.again import Again, Category, Recorded, Replayed, judge_again, memory_of
from cds.replay.configuration import Configuration
from cds.replay.records import Report, Sources, replay_ledger, replay_record

__all__ = [
    "Again",
    "Category",
    "Configuration",
    "Recorded",
    "Replayed",
    "Report",
    "Sources",
    "judge_again",
    "memory_of",
    "replay_ledger",
    "replay_record",
]
