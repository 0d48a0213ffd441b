#!/usr/bin/env python3
"""Outside witnesses in lock-step: the board and devices of witnesses.py, exact and without a clock.

    python3 lockstep_witnesses.py PEERS PAYRIG WHAT ... [--jobs N] [--only NAME] [--table FILE] [--keep DIR]

WHAT is one or more of the groups of witnesses.py (short, habits, board, board-faults, device, device-faults,
our-devices, our-board), or all. The tables of what must come out are those of witnesses.py, too; every run is
the same each time, so that nothing is tried twice and nothing is left untold. No port is used, and no pyserial.

A table goes to standard output, a line per run as it ends. Exit code: 0 all as it should be, 1 something not,
77 the peers are not there.
"""
import argparse
import concurrent.futures
import json
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
import types

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, HERE)
sys.dont_write_bytecode = True
import witnesses  # noqa: E402

SKIPPED = 77
ROWS, WRONG = [], []
PAYRIG, PEERS, OUT = None, None, None
GOOD = ["--slack-ms", "25", "--lenient-currency"]


def row(group, name, what, right, text, seconds):
    line = "%-5s %-13s %-36s %-30s %5.1f s  %s" % ("ok" if right else "WRONG", group, name, what, seconds, text)
    ROWS.append(line)
    if not right:
        WRONG.append(line)
    print(line, flush=True)


def peer(program, options):
    return shlex.join([sys.executable, os.path.join(HERE, "in_lockstep.py"), PEERS, program] + options)


def payrig(base, arguments, orders=()):
    """Runs payrig; what it says goes to a file. Its exit code, seconds."""
    began = time.monotonic()
    own = dict(os.environ, LOCKSTEP_LOG=base + ".peer", LOCKSTEP_ORDERS=json.dumps(list(orders)))
    with open(base + ".txt", "w") as log:
        code = subprocess.run([PAYRIG] + arguments, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=own).returncode
    return code, time.monotonic() - began


def examine(tag, what, program, options, more=(), only=None):
    """An examination: what came of each check, seconds."""
    base = os.path.join(OUT, tag)
    arguments = ["examine", *what, "--peer", peer(program, options), "--json", base + ".json",
                 "--record", base + ".jsonl", "--overwrite", *more]
    code, seconds = payrig(base, arguments + (["--only", only] if only else []))
    try:
        with open(base + ".json") as f:
            found = witnesses.outcomes(json.load(f))
    except (OSError, ValueError):
        found = {}
    if code not in (0, 1):
        with open(base + ".txt") as f:
            said = f.read().strip().splitlines()
        found[only or "-"] = ("exit code %d" % code, said[-1] if said else "")
    return found, seconds


def faulty(names):
    return [word for name in names for word in ("--fault", name)]


def board_check(tag, vmc, more, check, faults=()):
    found, seconds = examine("board-%s-%s" % (tag, check), ["board"], "vmc.py", GOOD + vmc + faulty(faults), more, check)
    return found.get(check, ("no result", "")) + (seconds,)


def habits(jobs, only):
    def do(job):
        name, vmc, more, check, wanted = job
        outcome, seen, seconds = board_check(name.replace(" ", "-"), vmc, more, check)
        row("habits", name, check, outcome == wanted, "%s: %s" % (outcome, seen), seconds)
    each(jobs, do, [(name, vmc, more, check, wanted) for name, vmc, more, checks in witnesses.HABITS
                    for check, wanted in checks.items() if only in (None, name)])


def whole(group, name, what, program, options, most):
    found, seconds = examine("%s-whole" % name, what, program, options)
    for check, (outcome, seen) in found.items():
        if outcome not in ("pass", "skipped"):
            row(group, name, check, False, "%s: %s" % (outcome, seen), 0)
    passed = sum(outcome == "pass" for outcome, _ in found.values())
    row(group, name, "all", passed >= most, "%d of %d pass" % (passed, len(found)), seconds)


def board(_, __):
    whole("board", "board", ["board"], "vmc.py", GOOD, 130)


def device(jobs, only):
    def do(kind):
        whole("device", kind, ["device", "--kind", witnesses.KINDS[kind]], "periph.py", ["--kind", kind], 40)
    each(jobs, do, [kind for kind in witnesses.KINDS if only in (None, kind)])


def caught(group, name, kind, checks, run):
    """One of these checks must fail."""
    spent = 0.0
    for check in checks:
        outcome, seen, seconds = run(check)
        spent += seconds
        if outcome == "fail":
            break
    row(group, name, "%s: %s" % (kind, check), outcome == "fail", "%s: %s" % (outcome, seen), spent)


def board_faults(jobs, only):
    def do(job):
        name, checks = job
        caught("board-faults", name, "board", checks, lambda check: board_check(
            "fault-" + name, FAULT_OPTIONS.get(name, []), [], check, [name]))
    each(jobs, do, [job for job in witnesses.BOARD_FAULTS.items() if only in (None, job[0])])


def device_faults(jobs, only):
    def do(job):
        name, kind, checks = job

        def run(check):
            options = ["--kind", kind] + faulty([name]) + witnesses.SET_UP.get(check, [])
            what = ["device", "--kind", witnesses.KINDS[kind]]
            found, seconds = examine("device-%s-%s-%s" % (kind, name, check), what, "periph.py", options, only=check)
            return found.get(check, ("no result", "")) + (seconds,)
        caught("device-faults", name, kind, checks, run)
    each(jobs, do, [job for job in witnesses.device_fault_table() if only in (None, job[0], job[1])])


def run_rig(tag, rig, program, options, orders, seconds, more=()):
    """A run for so many seconds of bench time: its recording, what the peer printed, the time it took."""
    base = os.path.join(OUT, tag)
    with open(base + ".toml", "w") as f:
        f.write(rig)
    arguments = ["run", base + ".toml", "--peer", peer(program, options), "--limit", str(seconds), "--record",
                 base + ".jsonl", "--overwrite", "--format", "json", *more]
    code, spent = payrig(base, arguments, orders)
    record, printed = [], []
    if code in (0, 1):
        with open(base + ".jsonl") as f:
            record = [json.loads(line) for line in f]
        with open(base + ".peer") as f:
            printed = [json.loads(line.split(" ", 1)[1]) for line in f if " {" in line]
    return record, printed, spent


def balances(record):
    import bench
    return {key.strip('"'): amount for key, amount in bench.balances(record).items()}


def limits(record):
    return sorted({e["rule"] for e in record
                   if e.get("type") == "finding" and e["severity"] == "limit" and e["rule"] != "script"})


def our_devices(jobs, only):
    def do(job):
        name, (script, orders, seconds, wanted) = job
        record, _, spent = run_rig("ours-" + name, witnesses.RIG % script, "vmc.py", GOOD, orders, seconds)
        held = balances(record)
        customer = held.get("customer", 0)
        paid = sum(amount for place, amount in held.items() if "receipts" in place)
        broken = limits(record)
        text = "the customer has %s, should have %s; cards paid %s; limits broken: %s" % (
            customer, wanted, paid, ", ".join(broken) or "none")
        right = customer == wanted and paid == witnesses.PAID.get(name, 0) and not broken and bool(record)
        row("our-devices", name, "a sale", right, text, spent)
    each(jobs, do, [job for job in witnesses.SALES.items() if only in (None, job[0])])


def our_board(jobs, only):
    import board_check as theirs
    import judge

    def do(name):
        base, faults, wanted = (name, [], None) if name in theirs.SC else theirs.FAULTY[name]
        rig, orders, seconds, own, options = theirs.SC[base]
        # What no one is sure of with a fault is seen in the books.
        wanted = own if wanted is None and not faults else wanted or {}
        words = os.path.join(OUT, name + ".words")
        options = list(options) + faulty(faults) + ["--words", words]
        orders = list(orders) + [[seconds, "books"]]
        record, printed, spent = run_rig("bc-" + name, rig, "periph.py", options, orders, seconds + 1, ["--role", "board"])
        books = [e for e in printed if e.get("dev") == "books"]
        if not books:
            return row("our-board", name, "books and every word", False, "no books: did it run?", spent)
        truth, wrong = books[-1], []
        for key, says in (("customer", "customer"), ("taken", "card taken")):
            if key in wanted and truth.get(says) != wanted[key]:
                wrong.append("%s: %s, not %s" % (says, truth.get(says), wanted[key]))
        held = {place: amount for place, amount in balances(record).items() if amount}
        said = ["ours %s" % {k: v for k, v in truth.items() if k not in ("t", "dev")}, "payrig's books %s" % held]
        if wrong and faults and witnesses.told(said, witnesses.in_escrow(record)):
            wrong = []
        found, _ = judge.judge(words)
        # Their judge counts an answer's words without the pauses that this fault makes between them.
        wrong += ["master [%s] %s at %s" % problem for problem in found
                  if not ("slow-bytes" in faults and problem[1].startswith("ACK after"))]
        # Whoever is good is accused of nothing.
        if not faults:
            wrong += ["accused: " + rule for rule in limits(record)]
        row("our-board", name, "books and every word", not wrong, "; ".join(wrong[:4]) or "right", spent)
    names = list(theirs.SC) + list(theirs.FAULTY)
    each(jobs, do, [name for name in names if only in (None, name)])


def short(jobs, only):
    """A few seconds: habits, faults of the board and of each device, a sale on either side."""
    todo = [
        lambda: habit("keeps credit", ["--keep-credit"], ["--keep-credit", "--delivery", "3s"], "change-right", "pass"),
        lambda: habit("no escrow", ["--no-escrow"], [], "escrow-decided", "skipped"),
        lambda: board_faults(1, "late-ack"),
        lambda: board_faults(1, "dispense-twice"),
        lambda: device_faults(1, "tube-status-stale"),
        lambda: device_faults(1, "stack-returns"),
        lambda: device_faults(1, "charges-more"),
        lambda: our_devices(1, "coin"),
        lambda: our_board(1, "coins"),
    ]

    def habit(name, vmc, more, check, wanted):
        outcome, seen, seconds = board_check("short-" + name.replace(" ", "-"), vmc, more, check)
        row("short", name, check, outcome == wanted, "%s: %s" % (outcome, seen), seconds)
    each(jobs, lambda run: run(), todo)


# A board with this fault says nothing soon after a NAK unless it has something to say.
FAULT_OPTIONS = {"polls-without-pause-after-nak": ["--poll-ms", "40"]}


def each(jobs, do, todo):
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        for done in [pool.submit(do, job) for job in todo]:
            done.result()


GROUPS = {"short": short, "habits": habits, "board": board, "board-faults": board_faults, "device": device,
          "device-faults": device_faults, "our-devices": our_devices, "our-board": our_board}


def main():
    global PAYRIG, PEERS, OUT
    ap = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ap.add_argument("peers")
    ap.add_argument("payrig")
    ap.add_argument("what", nargs="+", choices=list(GROUPS) + ["all"])
    ap.add_argument("--jobs", type=int, default=2, help="runs at a time")
    ap.add_argument("--only", metavar="NAME", help="this habit, fault, kind of device or scenario only")
    ap.add_argument("--table", metavar="FILE", help="writes the table there as well")
    ap.add_argument("--keep", metavar="DIR", help="keeps recordings and logs there")
    o = ap.parse_args()
    if not os.path.exists(os.path.join(o.peers, "vmc.py")):
        print("SKIPPED outside witnesses: no vmc.py in %s" % o.peers)
        return SKIPPED
    PAYRIG, PEERS = os.path.abspath(o.payrig), os.path.abspath(o.peers)
    sys.path.insert(0, PEERS)
    # Theirs opens ports with it; nothing here does.
    sys.modules.setdefault("serial", types.SimpleNamespace(Serial=None))
    with tempfile.TemporaryDirectory() as folder:
        OUT = folder
        for what in GROUPS if "all" in o.what else o.what:
            if what != "short" or "short" in o.what:
                GROUPS[what](o.jobs, o.only)
        if o.keep:
            shutil.copytree(folder, o.keep, dirs_exist_ok=True)
    print("%d runs: %d wrong" % (len(ROWS), len(WRONG)))
    for line in WRONG:
        print("  " + line)
    if o.table:
        with open(o.table, "w") as f:
            f.write("\n".join(ROWS) + "\n")
    return 1 if WRONG else 0


if __name__ == "__main__":
    sys.exit(main())
