"""Commands; no logic of their own."""
