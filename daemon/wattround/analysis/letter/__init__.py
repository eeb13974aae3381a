"""The weekly letter: what changed in the house, short enough to read standing up; as text and as a page."""
