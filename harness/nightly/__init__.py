"""The night over a corpus: saved cases tried again, every function checked, and what has become of each finding."""
