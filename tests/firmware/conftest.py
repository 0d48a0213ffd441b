"""The firmware compiled for this computer, and a bench with it for each test."""
import pathlib
import subprocess

import pytest

HERE = pathlib.Path(__file__).parent


@pytest.fixture(scope="session")
def firmware(tmp_path_factory):
    """firmware.c with host.c in the place of the board."""
    program = tmp_path_factory.mktemp("firmware") / "firmware"
    sources = [str(HERE / "firmware.c"), str(HERE / "host.c")]
    subprocess.run(["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-o", str(program), *sources], check=True)
    return program


@pytest.fixture
def machine(open_bench, firmware):
    """The machine with the firmware in it, set up: coins and cards may come."""
    bench = open_bench(rig=HERE / "machine.toml", peer=str(firmware))
    bench.wait(ready=True)
    return bench
