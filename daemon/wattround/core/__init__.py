"""The single core thread: owns metering state, rule state and the ledger's write connection."""
