"""Whatever comes from outside, made up by a coverage-guided fuzzer: nothing may fail but in the ways that are stated."""
