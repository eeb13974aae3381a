"""The local database: minutes, hours, episodes, messages to send, saved state."""
