"""What outlives a run: saved cases."""
