"""Upkeep: what the site file asks, what the ledger knows, and what the rules make of the two."""
