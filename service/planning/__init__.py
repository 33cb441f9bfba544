"""Changeovers: what to open, lift off, renew and put on."""
