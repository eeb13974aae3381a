"""Tariffs: the price of a minute; the marginal price of a wasted watt-hour. Pure."""
