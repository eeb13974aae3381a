"""Only what writes is loaded of the database's client."""

import subprocess
import sys

LOADED = """
import sys
from wattround.archive.client import write_service
{first}
service = write_service("http://127.0.0.1:9/", "t", 1000, None)
print(type(service).__module__, len([name for name in sys.modules if name.startswith("influxdb_client")]))
try:
    service.post_write_with_http_info("o", "b", "m v=1.0 1", precision="ms")
except Exception as error:
    print(type(error).__name__)
"""


def loaded(first=""):
    answer = subprocess.run(
        [sys.executable, "-W", "error", "-c", LOADED.format(first=first)], capture_output=True, text=True, check=True
    )
    return answer.stdout.split()


def test_writing_loads_a_score_of_modules_and_not_hundreds():
    where, count, error = loaded()

    assert (where, error) == ("influxdb_client.service.write_service", "NewConnectionError")  # nobody listens there
    assert int(count) < 25


def test_where_somebody_has_loaded_the_whole_client_that_is_taken():
    where, count, error = loaded("import influxdb_client")

    assert (where, error) == ("influxdb_client.service.write_service", "NewConnectionError")
    assert int(count) > 100
