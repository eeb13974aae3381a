"""The unit is right, and as closed as it can be; the install script does what it says."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "wattround.service"
analyze = pytest.mark.skipif(
    not shutil.which("systemd-analyze") and not os.environ.get("CI"), reason="systemd-analyze is not installed"
)


@analyze
def test_systemd_finds_nothing_to_say_against_the_unit(tmp_path):
    """The program is not installed on a test machine, so another stands in for it in a copy."""
    text = UNIT.read_text()
    start = "ExecStart=/opt/wattround/bin/wattround run /etc/wattround/wattround.toml"
    assert start in text
    copy = tmp_path / "wattround.service"
    copy.write_text(text.replace(start, "ExecStart=/bin/true"))

    answer = subprocess.run(["systemd-analyze", "verify", str(copy)], capture_output=True, text=True, timeout=60)

    assert answer.returncode == 0
    assert (answer.stdout + answer.stderr).strip() == ""  # a misspelt key is only said, with status 0


@analyze
def test_exposure_is_at_most_1_5():
    answer = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=15", str(UNIT)],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip

    assert answer.returncode == 0, answer.stdout
    level = float(re.search(r"Overall exposure level for \S+: ([\d.]+)", answer.stdout)[1])
    assert level <= 1.5


def test_every_relaxation_is_justified():
    """What usual hardening would close and we leave open stands under a comment that begins with Relaxed."""
    text = UNIT.read_text()

    assert text.count("# Relaxed:") == 2


def test_the_wrong_settings_status_is_the_one_that_systemd_does_not_restart():
    from wattround.daemon import CONFIG

    assert f"RestartPreventExitStatus={CONFIG}" in UNIT.read_text()


def test_credentials_of_the_unit_are_those_of_the_complete_example():
    names = re.findall(r"LoadCredential=(\S+)", UNIT.read_text())
    used = re.findall(r'_credential = "([^"]+)"', (ROOT / "config" / "complete.toml").read_text())

    assert sorted(names) == sorted(used)


def test_the_install_script_is_sound():
    assert subprocess.run(["sh", "-n", str(ROOT / "deploy" / "install")], timeout=20).returncode == 0
