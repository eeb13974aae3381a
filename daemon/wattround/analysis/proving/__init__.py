"""Proofs of the changes in the book: from the ledger's days to words, pictures and pages."""
