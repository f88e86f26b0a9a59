"""Criteria as data, and one view for each question that a person asks of them."""
