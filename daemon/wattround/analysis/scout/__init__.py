"""What a broker and a ledger say of themselves: which topics are power and energy, and which meter is within which."""
