"""Conditions, episodes and their life cycle. Pure: time comes in as an argument."""
