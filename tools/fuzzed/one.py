"""One target under the fuzzer: fuzzed.one TARGET, then what libFuzzer takes."""

import logging
import sys

import atheris
import structlog

with atheris.instrument_imports(include=["wattround"]):
    from fuzzed.targets import TARGETS

structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
target = TARGETS[sys.argv.pop(1)]
atheris.Setup(sys.argv, target)
atheris.Fuzz()
