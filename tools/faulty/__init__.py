"""A house whose energy is known exactly, the real daemon, broker and database around it, and faults in between."""
