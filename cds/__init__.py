"""Trivet: a second reader at the moment of ordering. FHIR R4 in, CDS Hooks cards out; it advises, the clinician decides."""

__version__ = "0.1.0"
