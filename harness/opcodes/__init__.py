"""Opcodes one at a time: probes, the bins that their states fall into, and the ledger of a check over all of them."""
