"""The weekly letter's desk: a thread that writes it when it is due, and hands it to the core."""
