"""Readings become minutes; minutes become money; readings and minutes become episodes."""

__version__ = "0.1.0"
