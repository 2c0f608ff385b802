"""Recorded series in, evidence for the forecast out."""
