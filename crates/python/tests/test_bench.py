"""The client against a real server. Amounts that come back are in minor units."""
import json
import threading
from decimal import Decimal

import pytest

from payrig import PayrigError, Problem, Server, ServerEnded, WaitFailed

SNACK = 65          # selection 11 of the built-in bench


def test_a_snack_is_sold_and_every_cent_is_somewhere(bench):
    bench.wait(ready=True)
    bench.insert_bill("1.00", device="bill")
    bench.wait(credit="1.00")
    bench.select(11)
    bench.wait(sold=1)
    bench.wait(rest=True)
    bench.run("5 s")
    assert bench.holds("customer") == -SNACK
    closed = bench.close()
    assert closed.passed, closed.explain()
    assert closed.balances["customer"] == -SNACK


def test_what_was_seen_instead_is_said(bench):
    bench.wait(ready=True)
    bench.insert_coin(Decimal("0.25"))
    with pytest.raises(WaitFailed) as failed:
        bench.wait(credit="0.50", within="3 s")
    assert "credit is 0.25, not 0.50" in str(failed.value)
    assert any(event["type"] == "movement" for event in failed.value.waited.evidence)
    assert not bench.waits(credit="0.50", within="1 s")
    assert bench.waits(credit="0.25")


def test_every_way_to_wait(bench):
    bench.wait(ready=True)
    bench.wait(ready="changer")
    done = bench.insert_coin("0.25")
    met = bench.wait(event={"type": "movement", "text": "accepted"}, from_=done["next"])
    assert met.event["amount"] == 25
    bench.wait(credit="0.25")
    bench.wait(display="0.25")
    bench.wait(holds={"customer": "-0.25"})
    bench.wait(exact_change=False)
    bench.wait(sold=0)
    before = bench.state()["now_us"]
    assert bench.wait(for_="2 s").at_us == before + 2_000_000
    bench.wait(rest=True)
    assert bench.credit == 25 and "0.25" in bench.display


def test_a_fault_lasts_as_long_as_its_block(bench):
    bench.wait(ready=True)
    with bench.fault("lose", from_="peripheral", at="changer"):
        bench.run("4 s")
        assert not bench.look("ready", device="changer").seen
    bench.wait(ready="changer")
    bench.insert_coin("0.25")
    bench.wait(credit="0.25")


def test_power_comes_back(bench):
    bench.wait(ready=True)
    with bench.without_power("changer"):
        bench.wait(event={"type": "power"}, from_=1)
        bench.run("1 s")
    bench.wait(event={"device": "changer", "name": "SETUP"}, within="20 s")


def test_events_are_numbered_and_leave_none_out(bench):
    bench.wait(ready=True)
    events = bench.events()
    numbers = [event["number"] for event in events]
    assert numbers == list(range(1, len(numbers) + 1))
    only = bench.events(type="block", device="changer")
    assert only and all(event["device"] == "changer" for event in only)
    assert bench.ledger()["movements"]
    assert "opening fill" in bench.log(1000) or bench.log()


def test_a_stream_goes_on_until_the_bench_ends(bench):
    heard = []
    reader = threading.Thread(target=lambda: heard.extend(bench.stream(from_=1)))
    reader.start()
    bench.wait(ready=True)
    bench.close()
    reader.join(30)
    assert not reader.is_alive()
    assert [event["type"] for event in heard[-2:]] == ["verdict", "end"]


def test_the_recording_is_that_of_run(bench):
    bench.wait(ready=True)
    bench.close()
    lines = [json.loads(line) for line in bench.recording().splitlines()]
    assert lines[0]["schema"] == "payrig-recording"
    assert lines[-1]["type"] == "verdict"


def test_the_same_seed_is_the_same_bench(open_bench):
    def play(seed):
        bench = open_bench(seed=seed)
        bench.wait(ready=True)
        bench.insert_coin("0.25")
        bench.run("3 s")
        bench.close()
        return bench.recording()
    assert play(5) == play(5) != play(6)


def test_reset_begins_anew(bench):
    bench.wait(ready=True)
    bench.insert_coin("0.25")
    bench.wait(credit="0.25")
    bench.reset()
    assert bench.holds("customer") == 0


@pytest.mark.payrig(toml="[bench]\nname = 'x'\nseeed = 1\n", verdict="any")
def test_a_wrong_rig_is_refused_with_its_line(payrig_server):
    with pytest.raises(Problem) as refused:
        payrig_server.open(toml="[bench]\nname = 'x'\nseeed = 1\n")
    assert refused.value.line == 3
    assert "seed" in str(refused.value)


def test_what_is_not_there_is_refused_with_advice(bench):
    for wrong, near in [("insert-coyn", "insert-coin"), ("selekt", "select")]:
        with pytest.raises(Problem) as refused:
            bench.act(wrong, value="0.25")
        assert near in str(refused.value) and 400 <= refused.value.status < 500
    with pytest.raises(Problem):
        bench.insert_coin("lots")
    with pytest.raises(TypeError, match="as texts"):
        bench.insert_coin(0.25)


def test_a_server_that_cannot_be_is_said(tmp_path):
    with pytest.raises(ServerEnded, match="cannot be started"):
        Server(tmp_path / "payrig").start()
    with pytest.raises(ServerEnded, match="did not start"):
        Server("false").start()


def test_a_server_that_is_gone_is_said(pytestconfig):
    server = Server(pytestconfig.getoption("--payrig")).start()
    bench = server.open()
    server.stop()
    with pytest.raises(PayrigError):
        bench.wait(ready=True)
