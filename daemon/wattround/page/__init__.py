"""The local page: the house in a browser, read-only but for hushes. Its thread never touches the core's."""
