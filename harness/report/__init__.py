"""Verdicts in, text out."""
