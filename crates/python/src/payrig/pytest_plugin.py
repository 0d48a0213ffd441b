"""Fixtures for pytest: benches of payrig, and what a failed test leaves behind.

    def test_a_coin_is_credited(bench):
        bench.wait(ready=True)
        bench.insert_coin("0.25")
        bench.wait(credit="0.25")

Fixtures:

``bench``          a bench of the test's own, closed at its end. Its verdict counts: a test fails whose bench
                   broke a limit or whose books do not agree, unless its mark says ``verdict="any"``.
``pty_bench``      the same with the board's bus on a pseudo-terminal, by the wall clock: ``pty_bench.pty`` is the path.
``open_bench``     opens further benches, with the settings of ``Server.open``.
``payrig_server``  the server behind them: one for each process of a test run, so that parallel ones never meet.

A mark says what bench a test wants, with the settings of ``Server.open``:

    @pytest.mark.payrig(rig="machine.toml", peer="./firmware", seed=7)

What a failed test leaves: the log around the moment in its report, and the recording of each bench in the
folder ``--payrig-artifacts`` [payrig-artifacts], to be read with ``payrig read``.
"""
from __future__ import annotations

import os
import re
from typing import Any, Callable, Dict, Iterator, List, Optional, Tuple

import pytest

from .bench import Bench
from .errors import PayrigError
from .server import Server

BENCHES: "pytest.StashKey[List[Kept]]" = pytest.StashKey()


class Kept:
    """A bench of a test, and what its mark says of its verdict."""

    def __init__(self, bench: Bench, verdict: str):
        self.bench, self.verdict = bench, verdict
        self.reported = False


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("payrig", "benches of payrig")
    group.addoption("--payrig", metavar="PROGRAM", help="the payrig to use [PAYRIG, or the one on the path]")
    group.addoption(
        "--payrig-artifacts",
        metavar="FOLDER",
        default="payrig-artifacts",
        help="where recordings of failed tests go [%(default)s]",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        'payrig(rig=None, verdict="pass", **settings): the bench that the fixtures `bench` and `pty_bench` open; '
        'settings as of payrig.Server.open; verdict="any" lets a test pass whose bench did not.',
    )


@pytest.fixture(scope="session")
def payrig_server(pytestconfig: pytest.Config) -> Iterator[Server]:
    """A payrig serve for all tests of this process."""
    with Server(pytestconfig.getoption("--payrig"), peers=True) as server:
        yield server


def _settings(node: pytest.Item) -> Tuple[Dict[str, Any], str]:
    """What the marks of a test say, the nearest first; the rig is looked for beside the test."""
    settings: Dict[str, Any] = {}
    for mark in reversed(list(node.iter_markers("payrig"))):
        settings.update(mark.kwargs)
        if mark.args:
            settings["rig"] = mark.args[0]
    verdict = settings.pop("verdict", "pass")
    if verdict not in ("pass", "any"):
        raise pytest.UsageError(f'payrig(verdict={verdict!r}): it is "pass" or "any"')
    rig = settings.get("rig")
    if isinstance(rig, str) and not os.path.isabs(rig):
        beside = os.path.join(os.path.dirname(str(node.path)), rig)
        settings["rig"] = beside if os.path.exists(beside) else rig
    return settings, verdict


@pytest.fixture
def open_bench(request: pytest.FixtureRequest, payrig_server: Server) -> Iterator[Callable[..., Bench]]:
    """Opens benches that are closed when the test ends."""
    kept = request.node.stash.setdefault(BENCHES, [])
    opened: List[Kept] = []

    def opening(*, verdict: str = "pass", **settings: Any) -> Bench:
        one = Kept(payrig_server.open(**settings), verdict)
        opened.append(one)
        kept.append(one)
        return one.bench

    yield opening
    wrong = []
    for one in opened:
        closed = one.bench.close()
        if not closed.passed and one.verdict == "pass" and not one.reported:
            for title, text in _left_behind(request.config, request.node, one):
                request.node.add_report_section("teardown", title, text)
            wrong.append(f"bench {one.bench.id} did not pass: {closed.explain()}")
        one.bench.remove()
    if wrong:
        pytest.fail("\n".join(wrong), pytrace=False)


@pytest.fixture
def bench(request: pytest.FixtureRequest, open_bench: Callable[..., Bench]) -> Bench:
    """A bench as the test's mark says, or the built-in one."""
    settings, verdict = _settings(request.node)
    return open_bench(verdict=verdict, **settings)


@pytest.fixture
def pty_bench(request: pytest.FixtureRequest, open_bench: Callable[..., Bench]) -> Bench:
    """The same with the board's bus on a pseudo-terminal."""
    settings, verdict = _settings(request.node)
    return open_bench(verdict=verdict, **{"link": "pty", **settings})


def _left_behind(config: pytest.Config, node: pytest.Item, one: Kept) -> List[Tuple[str, str]]:
    """Closes a bench of a failed test. What goes into its report: the log, and where the recording is."""
    one.reported = True
    title = f"payrig bench {one.bench.id}"
    try:
        log = one.bench.log()
        closed = one.bench.close()
        text = f"{log}\n{closed.explain()}\n{_keep(config, node, one.bench)}"
    except (PayrigError, OSError) as error:
        text = f"nothing more is known of it: {error}"
    return [(title, text)]


def _keep(config: pytest.Config, node: pytest.Item, bench: Bench) -> str:
    folder = os.path.join(str(config.rootpath), config.getoption("--payrig-artifacts"))
    os.makedirs(folder, exist_ok=True)
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", node.nodeid).strip("-")[-150:]
    path = os.path.join(folder, f"{name}.{bench.id}.recording.jsonl")
    with open(path, "w", encoding="utf-8") as file:
        file.write(bench.recording())
    return f"recording: {path} (payrig read shows it)"


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: "pytest.CallInfo[None]") -> Iterator[None]:
    outcome: Any = yield
    report: Optional[pytest.TestReport] = outcome.get_result()
    if report is None or not report.failed or report.when != "call":
        return
    for one in item.stash.get(BENCHES, []):
        report.sections += _left_behind(item.config, item, one)
