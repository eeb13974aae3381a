"""Delivers messages from the ledger's outbox."""
