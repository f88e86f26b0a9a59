"""Findings into CDS Hooks cards: words, suggestions in FHIR, and the machine-readable part. Pure functions."""

from cds.cards.build import Cards, CardSettings, build

__all__ = ["CardSettings", "Cards", "build"]
