"""The report as people and programs get it: what is asked, its words, its data, the parts of its page."""
