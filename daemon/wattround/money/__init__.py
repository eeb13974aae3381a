"""Tariffs: what a stretch of time costs, what a bill comes to, what a wasted watt-hour would have saved. Pure."""
