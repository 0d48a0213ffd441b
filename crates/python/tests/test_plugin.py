"""The pytest plugin, in test runs of its own."""
import json
import re

import pytest

FAILS = """
def test_a_coin_that_was_never_put_in(bench):
    bench.wait(ready=True)
    bench.insert_coin("0.10")
    bench.wait(credit="0.25", within="2 s")
"""

BREAKS = """
import pytest

def breaks_a_limit(bench):
    bench.wait(ready=True)
    with bench.fault("late", from_="peripheral", by="7 ms", at="changer"):
        bench.run("1 s")

def test_it_counts(bench):
    breaks_a_limit(bench)

@pytest.mark.payrig(verdict="any")
def test_it_is_expected(bench):
    breaks_a_limit(bench)
"""


@pytest.fixture
def run(pytester, pytestconfig, monkeypatch):
    program = pytestconfig.getoption("--payrig")
    if program:
        monkeypatch.setenv("PAYRIG", program)

    def run(text, *options):
        pytester.makepyfile(text)
        return pytester.runpytest_subprocess(*options)
    return run


def test_a_failed_test_leaves_the_log_and_the_recording(run, pytester):
    result = run(FAILS)
    result.assert_outcomes(failed=1)
    text = result.stdout.str()
    assert "credit is 0.10, not 0.25" in text
    assert "coin of 0.10 into changer" in text
    (recording,) = (pytester.path / "payrig-artifacts").iterdir()
    assert str(recording) in text
    last = json.loads(recording.read_text().splitlines()[-1])
    assert last["type"] == "verdict"


def test_a_bench_that_did_not_pass_fails_its_test(run, pytester):
    result = run(BREAKS)
    # The test's own assertions held; its bench broke a limit.
    result.assert_outcomes(passed=2, errors=1)
    text = result.stdout.str()
    assert re.search(r"ERROR at teardown of test_it_counts", text)
    assert "response" in text
    assert len(list((pytester.path / "payrig-artifacts").iterdir())) == 1


def test_parallel_workers_do_not_meet(run):
    pytest.importorskip("xdist", reason="SKIPPED: pytest-xdist is not here")
    many = "\n".join(
        f"def test_{n}(bench):\n"
        f"    bench.wait(ready=True)\n"
        f"    bench.insert_coin('0.25')\n"
        f"    bench.wait(credit='0.25')\n"
        f"    assert bench.holds('customer') == -25\n"
        for n in range(8)
    )
    run(many, "-n", "2").assert_outcomes(passed=8)


def test_a_mark_says_which_bench(run, pytester):
    pytester.path.joinpath("machine.toml").write_text(
        '[bench]\nname = "mine"\n[board]\nkind = "controller"\n[[board.item]]\nnumber = 1\nname = "Tea"\nprice = "0.10"\n'
        '[[device]]\nkind = "changer"\nname = "coins"\n[[device.coin]]\nvalue = "0.10"\ncount = 10\ncapacity = 50\n'
    )
    run(
        "import pytest\n"
        "@pytest.mark.payrig(rig='machine.toml', seed=3)\n"
        "def test_mine(bench):\n"
        "    assert bench.name == 'mine' and bench.opened['seed'] == 3\n"
        "    bench.wait(ready=True)\n"
    ).assert_outcomes(passed=1)
    run("import pytest\n@pytest.mark.payrig(verdict='maybe')\ndef test_wrong(bench):\n    pass\n").assert_outcomes(errors=1)
