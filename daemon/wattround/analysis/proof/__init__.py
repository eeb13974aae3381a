"""Did a change save anything? Statistics on days of one load, in pure functions: `prove.prove` answers.

Words and rules are those of measurement and verification (IPMVP, ASHRAE Guideline 14, CalTRACK 2.0): a baseline period
before the change, a reporting period after it, avoided energy = what the baseline's model expects - what was measured.
"""
