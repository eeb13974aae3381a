"""That part of the InfluxDB client which writes. All of it would be 30 MB of memory, for the sake of one call.

Importing the client's package imports every one of its hundreds of modules. Where nobody has done so yet, we put empty
packages in their place, so that only the modules are loaded that the call itself needs.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

PACKAGE = "influxdb_client"
WITHIN = ("client", "service", "domain")


def write_service(url: str, token: str, timeout_ms: int, ca_file: str | None) -> Any:
    """The client's WriteService for a database; its methods are those of the library."""
    if PACKAGE not in sys.modules:
        _lay_out()
    part = importlib.import_module
    configuration = part(f"{PACKAGE}.configuration").Configuration()
    configuration.host, configuration.timeout, configuration.ssl_ca_cert = url.removesuffix("/"), timeout_ms, ca_file
    client = part(f"{PACKAGE}._sync.api_client").ApiClient(
        configuration=configuration, header_name="Authorization", header_value=f"Token {token}"
    )
    return part(f"{PACKAGE}.service.write_service").WriteService(client)


def _lay_out() -> None:
    """Empty packages, with what the modules that we need ask of them."""
    found = importlib.util.find_spec(PACKAGE)
    assert found is not None, "influxdb-client is one of our dependencies"
    home = Path(next(iter(found.submodule_search_locations or [])))
    package = _empty(PACKAGE, home)
    for name in WITHIN:
        setattr(package, name, _empty(f"{PACKAGE}.{name}", home / name))
    package.VERSION = importlib.import_module(f"{PACKAGE}.version").VERSION  # type: ignore[attr-defined]
    for name in ("Signin", "Signout"):
        module = importlib.import_module(f"{PACKAGE}.service.{name.lower()}_service")
        setattr(package, f"{name}Service", getattr(module, f"{name}Service"))


def _empty(name: str, folder: Path) -> ModuleType:
    made = ModuleType(name)
    made.__path__ = [str(folder)]
    sys.modules[name] = made
    return made
