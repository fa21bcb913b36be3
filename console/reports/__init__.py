"""What a night, a range or a season came to, from the ledger alone."""
