"""What the ledger's history teaches: reads the ledger, writes nothing, and is never part of the running daemon."""
