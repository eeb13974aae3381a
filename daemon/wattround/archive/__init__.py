"""Ships ledger rows to a time-series database behind a cursor."""
