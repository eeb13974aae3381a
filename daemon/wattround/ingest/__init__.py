"""Broker connection, topic routing, payload decoding."""
