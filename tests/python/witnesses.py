#!/usr/bin/env python3
"""Outside witnesses: a board and devices that somebody else wrote from the standard, and payrig.

    python3 witnesses.py PEERS PAYRIG WHAT ... [--jobs N] [--only NAME] [--table FILE]

PEERS is the folder with vmc.py and periph.py (this repository holds no copy of it), PAYRIG the binary.
It is copied to a folder of its own before anything runs in it. WHAT is one or more of

    short         a handful of checks of a board, good of other habits and with one fault: half a minute
    habits        the checks that work from a habit of a board, against boards of the other habit
    board         a whole attended examination of the good board, by a person who frees no motor unasked
    board-faults  each fault of the board, against the checks that are about it
    device        a whole attended examination of each good device
    device-faults each fault of the devices, against the checks that are about it
    our-devices   our devices, driven by their board
    our-board     our board, driving their devices: good ones and faulty ones

A table goes to standard output, a line per run as it ends. Exit code: 0 all as it should be, 1 something
not, 77 the peers or pyserial are not there.
"""
import argparse
import ast
import concurrent.futures
import itertools
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time

SKIPPED = 77
ROWS, WRONG, UNTOLD = [], [], []
FIRST = None

# Every machine that runs this stalls now and then: the peers wait so much longer.
SLACK = ["--slack-ms", "25"]
# Bears another currency code; the checks of several currencies need it.
GOOD = SLACK + ["--lenient-currency"]

# Options of vmc.py that make it a good board of another habit, options of payrig that say so, and the
# checks that work from it. "skipped" where it cannot be offered what the check is about.
HABITS = [
    ("keeps credit", ["--keep-credit"], [], {
        "change-right": "pass", "cut-after-sale": "pass", "empty-tube-made-up-for": "pass",
        "cash-and-card-add-up": "pass", "pulse-while-paying": "skipped", "reset-in-delivery": "pass"}),
    ("keeps credit, as is said", ["--keep-credit"], ["--keep-credit", "--delivery", "3s"], {
        "change-right": "pass", "cut-after-sale": "pass"}),
    ("no escrow", ["--no-escrow"], [], {
        "escrow-decided": "skipped", "escrow-not-credited": "skipped", "reset-in-escrow": "skipped",
        "bill-stacked-and-credited": "pass", "bill-credited-once": "pass", "stacker-full-borne": "pass"}),
    ("level 1", ["--level", "1"], [], {
        "always-idle-sale": "skipped", "money-of-32-bits": "skipped", "expanded-currency": "skipped",
        "vend-success-said": "pass"}),
    ("level 2", ["--level", "2"], [], {
        "always-idle-sale": "skipped", "money-of-32-bits": "skipped", "expanded-currency": "skipped",
        "vend-success-said": "pass"}),
    ("delivers in 6 s", ["--motor-s", "6"], [], {
        "vend-success-said": "pass", "vend-failure-said": "pass", "session-completed": "pass",
        "multi-vend": "pass"}),
    ("delivers in 12 s", ["--motor-s", "12"], [], {
        "vend-success-said": "pass", "vend-failure-said": "pass", "session-completed": "pass",
        "failed-vend-keeps-credit": "pass", "item-number-told": "pass", "multi-vend": "pass"}),
    ("several vends", ["--multi-vend"], [], {
        "session-completed": "pass", "vend-success-said": "pass", "multi-vend-only-where-allowed": "pass"}),
    ("many coins with one DISPENSE", ["--dispense-many"], [], {
        "change-right": "pass", "tube-runs-out-in-payout": "pass", "reset-in-payout": "pass"}),
    ("answers a wrong checksum with NAK", ["--nak-bad"], [], {
        "bad-checksum-not-credited": "pass", "damaged-answers-given-up": "pass"}),
    ("answers a wrong checksum with silence", ["--silent-bad"], [], {
        "bad-checksum-not-credited": "pass", "damaged-answers-given-up": "pass"}),
]

# Faults of vmc.py, and the checks that are about each: one of them must fail.
BOARD_FAULTS = {
    "double-credit-bill": ["bill-credited-once"],
    "double-credit-coin": ["coin-credited-once"],
    "never-polls-reader": ["finds-every-peripheral"],
    "ignores-exact-change": ["no-bill-without-change"],
    "wrong-bill-scaling": ["bill-stacked-and-credited", "mixed-scaling"],
    "wrong-coin-scaling": ["coins-buy-at-face-value"],
    "wrong-price-scaling": ["price-asked"],
    "dispense-twice": ["change-right", "dispense-not-repeated"],
    "dispense-again-unacked": ["dispense-not-repeated"],
    "late-ack": ["acknowledges-in-time"],
    "ack-4500us": ["acknowledges-with-margin"],
    "never-acks": ["data-acknowledged"],
    "reset-after-just-reset": ["just-reset-without-reset"],
    "no-init-after-just-reset": ["just-reset-sets-up"],
    "short-break": ["bus-reset-length"],
    "no-break": ["bus-reset-length"],
    "early-start": ["bus-reset-pause"],
    "no-reset-when-silent": ["silence-brings-reset"],
    "reset-every-second": ["reset-every-ten-seconds"],
    "stops-when-one-silent": ["others-go-on"],
    # 15.7 ms from POLL to POLL are seen. On a bus so busy this tool is held up at some time in each of three
    # tries, if the machine is busy too: then it is untold.
    "fast-polls": ["polls-not-too-often"],
    "slow-polls": ["polls-often-enough"],
    "tube-status-early": ["tube-status-late"],
    "never-enables-coins": ["coin-to-tube-credited"],
    "first-coin-only": ["several-coins-credited"],
    "first-bill-only": ["bill-behind-status-credited"],
    "credits-slugs": ["slug-not-credited"],
    "cash-box-coins-lost": ["coin-to-cash-box-credited"],
    "escrow-ignored": ["escrow-decided"],
    "credits-in-escrow": ["escrow-not-credited"],
    "credits-rejected": ["paper-not-credited"],
    "no-checksum-test": ["bad-checksum-not-credited"],
    "bad-checksum-sent": ["command-checksums"],
    "no-mode-bit": ["address-mode-bit", "finds-every-peripheral"],
    "slow-bytes": ["command-byte-gaps"],
    "naks-good-data": ["good-data-accepted"],
    "sells-on-denied": ["denied-not-sold"],
    "sells-before-approved": ["denied-not-sold"],
    "no-vend-success": ["vend-success-said"],
    "success-on-failure": ["vend-failure-said"],
    "no-vend-failure": ["vend-failure-said"],
    "no-session-complete": ["session-completed"],
    "ignores-cancel-request": ["cancel-ends-session"],
    "pays-card-in-cash": ["card-money-not-paid-in-cash"],
    "wrong-item-number": ["item-number-told"],
    "no-price-range": ["price-range"],
    "never-enables-reader": ["reader-enabled"],
    "disables-in-session": ["not-disabled-in-session"],
    "expansion-to-level-2": ["level-2-changer"],
    "level-3-to-all": ["level-2-reader", "level-1-reader"],
    "all-options": ["options-only-where-offered"],
    "all-features": ["features-only-where-offered"],
    "ignores-32-bit": ["money-of-32-bits"],
    "no-poll-between-repeats": ["coin-type-in-turn-with-poll"],
    "gives-up-at-once": ["repeats-before-reset"],
    "loses-credit-on-reset": ["reset-with-credit"],
    "unknown-status-resets": ["unknown-code-borne"],
    "pays-one-coin-less": ["change-right"],
    "pays-before-delivery": ["failed-vend-keeps-credit"],
    "failed-vend-keeps-money": ["failed-vend-keeps-credit"],
    "return-lever-dead": ["lever-pays-back"],
    "ret-for-ever": ["damaged-answers-given-up"],
    "no-out-of-sequence-reset": ["out-of-sequence-resets"],
    "no-vend-cancel": ["vend-timed-out"],
    "balance-decides": ["low-balance-asked", "unknown-balance-asked"],
    "polls-without-pause-after-nak": ["waits-after-nak"],
    "decimal-places-used": ["decimals-for-display-only"],
}

KINDS = {"changer": "changer", "bill": "bill-validator", "reader": "cashless"}

# Faults of periph.py that every kind of device can have, and the checks that are about each: one of them
# must fail. Where a kind has other checks for it, they stand behind its name.
COMMON_FAULTS = {
    "late-answer": ["answer-time-margin", "answer-time"],
    "answer-4500us": ["answer-time-margin"],
    "slow-bytes": ["inter-byte-time"],
    "no-just-reset": ["just-reset-said"],
    "just-reset-for-ever": ["just-reset-once"],
    "just-reset-not-repeated": ["just-reset-until-acknowledged"],
    "wrong-checksum": ["checksum-right"],
    "sometimes-wrong-checksum": ["checksum-right"],
    "no-mode-bit": ["mode-bit-on-last"],
    "mode-bit-everywhere": ["mode-bit-on-no-other"],
    "naks-bad-checksum": ["never-naks"],
    "acts-on-bad-checksum": ["bad-checksum-not-acted-on"],
    "answers-next-address": ["other-address-not-answered"],
    "ret-ignored": ["ret-answered"],
    "ret-other-data": ["ret-same-data"],
    "speaks-unasked": ["silent-unless-asked"],
    "dies-on-unknown": ["unknown-command-survived"],
    "naks-unknown": ["no-nak-for-good-command"],
    "ignores-reset": ["reset-obeyed"],
    "ignores-bus-reset": ["bus-reset-obeyed"],
    "away-long": ["never-away"],
    "forgets-unacked": ["just-reset-until-acknowledged"],
    "ack-not-needed-once": ["repeats-until-acknowledged"],
    "repeats-after-ack": {"changer": ["each-coin-reported-once"], "bill": ["each-bill-reported-once"],
                          "reader": ["session-begins-once"]},
    "impatient": ["bears-slow-commands"],
    "setup-differs": ["setup-stays"],
    "bad-currency": ["currency-known"],
    "short-setup": {"changer": ["coin-values"], "bill": ["bill-values"], "reader": ["reader-configuration"]},
    "serial-not-ascii": ["identity-readable"],
    "dead-after-power-cut": ["power-cut-survived"],
}

# Those of one kind.
OWN_FAULTS = {
    "changer": {
        "disabled-coins-accepted": ["disabled-coins-refused"],
        "coins-on-after-reset": ["all-coins-off-after-reset"],
        "wrong-routing": ["coin-routing-true"],
        "tube-status-stale": ["tube-status-follows"],
        "tube-count-one-more": ["tube-counts-honest"],
        "dispenses-one-less": ["pays-from-each-tube"],
        "dispenses-wrong-tube": ["pays-from-each-tube"],
        "dispense-unacked": ["dispense-acknowledged"],
        "dispense-doubled": ["dispense-not-doubled"],
        "busy-for-ever": ["payout-ends"],
        "never-busy": ["busy-until-paid"],
        "one-report-per-poll": ["several-coins-at-once"],
        "reset-forgets-coin": ["coin-survives-reset"],
        "lever-repeats": ["escrow-request-once"],
        "lever-dead": ["escrow-request-said"],
        "slug-is-coin": ["slug-not-credited"],
        "wrong-value": ["each-coin-reported-once"],
        "values-not-ascending": ["coin-values"],
    },
    "bill": {
        "disabled-bills-accepted": ["disabled-bills-refused"],
        "bills-on-after-reset": ["all-bills-off-after-reset"],
        "stacks-by-itself": ["escrow-waits-for-order"],
        "stack-returns": ["escrow-stack-obeyed"],
        "return-stacks": ["escrow-return-obeyed"],
        "stacked-too-early": ["stacked-means-stacked"],
        "escrow-unreported": ["escrow-reported"],
        "reset-keeps-escrow": ["reset-returns-escrow"],
        "stacker-count-stuck": ["stacker-counts"],
        "invalid-escrow-silent": ["invalid-escrow-told"],
        "id-with-options": ["identification-length"],
        "paper-is-bill": ["paper-not-credited"],
        "escrow-order-ignored": ["escrow-stack-obeyed"],
        "disabled-unsaid": ["disabled-said"],
        "jam-unsaid": ["jam-told"],
        "cashbox-unsaid": ["cash-box-out-told"],
        "wrong-bill-value": ["each-bill-reported-once"],
        "wrong-bill": ["each-bill-reported-once"],
    },
    "reader": {
        "session-while-disabled": ["no-session-while-disabled"],
        "session-repeats": ["session-begins-once"],
        "session-after-reset": ["reader-off-after-reset"],
        "level-too-high": ["level-respected"],
        "charges-more": ["approves-what-was-asked"],
        "charges-silently-more": ["approves-what-was-asked"],
        "charges-twice": ["repeated-request-charged-once"],
        "never-decides": ["vend-decided-in-time"],
        "decides-late": ["vend-decided-in-time"],
        "no-refund": ["vend-failure-refunded"],
        "success-refunds": ["vend-success-kept"],
        "cancel-ignored": ["vend-cancel-obeyed"],
        "no-end-session": ["session-ends"],
        "never-out-of-sequence": ["out-of-sequence-told"],
        "always-out-of-sequence": ["repeat-not-out-of-sequence"],
        "approves-anything": ["vend-above-balance-denied"],
        "revalue-limit-zero": ["revalue-refused-as-such"],
        "impatient-session": ["patient-with-silence"],
        "wrong-scale": ["approves-what-was-asked"],
    },
}

# A device that is set up for a check before it: the person says that it is.
SET_UP = {"vend-cancel-obeyed": ["--decide-s", "3.5"]}


def device_fault_table():
    """Each fault: name, kind, checks."""
    found = []
    for name, checks in COMMON_FAULTS.items():
        for kind in KINDS:
            found.append((name, kind, checks[kind] if isinstance(checks, dict) else checks))
    for kind, faults in OWN_FAULTS.items():
        found += [(name, kind, checks) for name, checks in faults.items()]
    return found


def row(group, name, what, right, text, seconds):
    state = {True: "ok", False: "WRONG", None: "untold"}[right]
    line = "%-7s %-13s %-36s %-30s %4.0f s  %s" % (state, group, name, what, seconds, text)
    ROWS.append(line)
    (WRONG if right is False else UNTOLD if right is None else []).append(line)
    print(line, flush=True)


def examine_board(tag, vmc, options, only=None, faults=(), more=None, timeout=400):
    """An attended examination of vmc.py: what came of each check, the result, seconds."""
    import person
    from bench import OUT, PAYRIG, fifo
    os.makedirs(OUT, exist_ok=True)
    base = os.path.join(OUT, "board-" + tag)
    cmd = [PAYRIG, "examine", "board", "--link", "pty", "--coding", "plain", "--json", base + ".json",
           "--record", base + ".jsonl", "--overwrite"] + options
    if only:
        cmd += ["--only", only]
    began = time.monotonic()
    with open(base + ".txt", "w") as log:
        p = subprocess.Popen(cmd, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                             stderr=subprocess.STDOUT, preexec_fn=lambda: fifo(25), bufsize=0)
        who = person.Person(p, log, base + ".vmc", "plain", list(faults), vmc, True,
                            more or {"motor_stays_blocked": True})
        who.talk(timeout)
        p.wait()
        who.close()
    try:
        with open(base + ".json") as f:
            return outcomes(json.load(f)), time.monotonic() - began
    except (OSError, ValueError):
        return {}, time.monotonic() - began


def outcomes(report):
    """Of each check in a report: outcome and what was seen."""
    found = {}

    def walk(node):
        if isinstance(node, dict):
            if "id" in node and "outcome" in node:
                found[node["id"]] = (node["outcome"], node.get("seen"))
            else:
                for value in node.values():
                    walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)
    walk(report)
    return found


def settled(run, wanted, tries=3):
    """Runs until the outcome is told: a machine that stalls leaves it untold."""
    spent, outcome, seen = 0.0, "no result", ""
    for _ in range(tries):
        found, seconds = run()
        spent += seconds
        outcome, seen = found
        if outcome in wanted or outcome in ("pass", "fail", "skipped"):
            break
    return outcome, seen, spent


def one_check(tag, vmc, options, check, faults=()):
    def run():
        found, seconds = examine_board("%s-%s" % (tag, check), vmc, options, check, faults)
        return found.get(check, ("no result", "")), seconds
    return run


def verdict(outcome, wanted):
    return None if outcome == "cannot-tell" else outcome == wanted


def habits(jobs, only):
    todo = []
    for name, vmc, options, checks in HABITS:
        if only in (None, name):
            todo += [(name, vmc, options, check, wanted) for check, wanted in checks.items()]

    def do(job):
        name, vmc, options, check, wanted = job
        run = one_check(name.replace(" ", "-"), GOOD + vmc, options, check)
        outcome, seen, seconds = settled(run, (wanted,))
        row("habits", name, check, verdict(outcome, wanted), "%s: %s" % (outcome, seen), seconds)
    each(jobs, do, todo)


def board(_, __):
    found, seconds = examine_board("whole", GOOD, [], timeout=5400)
    for check, (outcome, seen) in found.items():
        right = {"fail": False, "cannot-tell": None}.get(outcome, True)
        if right is not True:
            row("board", "good, whole", check, right, "%s: %s" % (outcome, seen), 0)
    count = sum(outcome == "pass" for outcome, _ in found.values())
    row("board", "good, whole", "all", bool(found) and count > 100, "%d of %d pass" % (count, len(found)), seconds)


def board_faults(jobs, only):
    import vmc
    unknown = sorted(set(vmc.FAULTS) ^ set(BOARD_FAULTS))
    for name in unknown:
        row("board-faults", name, "-", False, "the table and the peers disagree about this fault", 0)

    def do(job):
        name, checks = job
        for check in checks:
            run = one_check("fault-" + name, GOOD, [], check, [name])
            outcome, seen, seconds = settled(run, ("fail",))
            if outcome == "fail":
                break
        row("board-faults", name, check, verdict(outcome, "fail"), "%s: %s" % (outcome, seen), seconds)
    names = list(BOARD_FAULTS)
    names = names[names.index(FIRST):] if FIRST in names else names
    each(jobs, do, [(n, BOARD_FAULTS[n]) for n in names if only in (None, n)])


def at_device():
    """The person of the peers, who also says that a device is set up as it was asked for."""
    import exam_device

    class AtDevice(exam_device.DevicePerson):
        def please(self, q):
            low = q.lower()
            if "set the card reader" in low:
                return self.enter()
            if "make the stacker full" in low:
                self.tell("set bill stacked 400")
                return self.enter()
            return super().please(q)
    return AtDevice


RUNS = itertools.count(1)


def examine_device(tag, kind, faults=(), only=None, opts=(), timeout=3600):
    """An attended examination of periph.py: what came of each check, seconds."""
    import exam_device
    tag = "%s-%d" % (tag, next(RUNS))
    _, report, seconds, who = exam_device.run(tag, KINDS[kind], list(faults), only=only, opts=opts,
                                              timeout=timeout, cls=at_device())
    for prompt in who.unknown:
        print("    not understood by the person: " + prompt, flush=True)
    return outcomes(report or {}), seconds


def one_device_check(tag, kind, check, faults=()):
    def run():
        found, seconds = examine_device(tag, kind, faults, check, SET_UP.get(check, []))
        return found.get(check, ("no result", "")), seconds
    return run


def device(jobs, only):
    """A whole examination of each; then what did not pass once more by itself, as a machine that stalls is
    told from a device that is late by that."""
    def do(kind):
        found, seconds = examine_device("good-" + kind, kind)
        passed = 0
        for check, (outcome, seen) in found.items():
            if outcome in ("fail", "cannot-tell") or check in SET_UP:
                run = one_device_check("good-%s-%s" % (kind, check), kind, check)
                again, seen_again, spent = settled(run, ("pass",), 1)
                # What fails in the whole and passes alone may be the machine, or something that was carried over.
                right = None if outcome == "fail" or again == "cannot-tell" else again == "pass"
                # The peer is a program on this machine: where that has more to do than it has processors for,
                # an answer of its really is late, and says nothing of either side.
                busy = check.startswith("answer-time") and os.getloadavg()[0] > os.cpu_count()
                if busy:
                    seen_again += "; load %.1f on %d processors" % (os.getloadavg()[0], os.cpu_count())
                row("device", kind, check, (None if busy else False) if again == "fail" else right,
                    "%s: %s; alone %s: %s" % (outcome, seen, again, seen_again), spent)
            passed += outcome == "pass"
        row("device", kind, "all", bool(found), "%d of %d pass" % (passed, len(found)), seconds)
    each(jobs, do, [k for k in KINDS if only in (None, k)])


def device_faults(jobs, only):
    import periph
    todo = device_fault_table()
    for name in sorted(set(periph.FAULTS) ^ {name for name, _, _ in todo}):
        row("device-faults", name, "-", False, "the table and the peers disagree about this fault", 0)

    def do(job):
        name, kind, checks = job
        for check in checks:
            run = one_device_check("fault-%s-%s" % (kind, name), kind, check, [name])
            outcome, seen, seconds = settled(run, ("fail",))
            if outcome == "fail":
                break
        row("device-faults", name, "%s: %s" % (kind, check), verdict(outcome, "fail"), "%s: %s" % (outcome, seen), seconds)
    each(jobs, do, [job for job in todo if only in (None, job[0], job[1])])


RIG = """[bench]
name = "our devices, their board"
[board]
kind = "outside"
[[device]]
kind = "changer"
name = "changer"
[[device]]
kind = "bill-validator"
name = "bill"
bills = ["1.00", "5.00"]
[[device]]
kind = "cashless"
name = "reader"
level = 3
options = ["money-32-bit"]
%s
"""

# What is put in, what is pressed at their board and when, how long it takes, and what the customer must
# have in the end. The run lasts as long as its script.
LAST = '[[script]]\ndo = "press-lever"\nafter = "%d s"\n'
SALES = {
    "coin": ('[[script]]\ndo = "insert-coin"\nvalue = "1.00"\nafter = "6 s"\n' + LAST % 12, [(9, "select 11")], 22, -65),
    "bill": ('[[script]]\ndo = "insert-bill"\nvalue = "1.00"\nafter = "6 s"\n' + LAST % 15, [(12, "select 11")], 25, -65),
    "card": ('[[script]]\ndo = "present-card"\nbalance = "10.00"\nafter = "6 s"\n' + LAST % 12, [(9, "select 12")], 22, 0),
    "return": ('[[script]]\ndo = "insert-coin"\nvalue = "0.25"\nafter = "6 s"\n' + LAST % 3 + LAST % 5, [], 18, 0),
}
# What cards must have paid.
PAID = {"card": 125}


def our_devices(jobs, only):
    from bench import Bench, OUT, HERE, balances, findings

    def do(job):
        name, (script, orders, seconds, wanted) = job
        began = time.monotonic()
        with Bench(RIG % script, "ours-" + name, limit=60, extra=["--overwrite"]) as bench:
            log = open(os.path.join(OUT, "ours-%s.vmc" % name), "w")
            vmc = subprocess.Popen([sys.executable, os.path.join(HERE, "vmc.py"), bench.path] + GOOD,
                                   stdin=subprocess.PIPE, stdout=log, stderr=log, text=True)
            for at, order in orders + [(seconds, "quit")]:
                while time.monotonic() - began < at:
                    time.sleep(0.02)
                try:
                    vmc.stdin.write(order + "\n")
                    vmc.stdin.flush()
                except OSError:
                    break
            bench.stop()
            vmc.wait(10)
            log.close()
        record = bench.record()
        held = {k.strip('"'): v for k, v in balances(record).items()}
        customer = held.get("customer", 0)
        paid = sum(v for k, v in held.items() if "receipts" in k)
        limits = [f["rule"] for f in findings(record) if f["severity"] == "limit" and f["rule"] != "script"]
        text = "the customer has %s, should have %s; cards paid %s; limits broken: %s" % (customer, wanted, paid, ", ".join(sorted(set(limits))) or "none")
        # Who broke a limit is read in the recording; money is never a matter of a busy machine.
        row("our-devices", name, "a sale", customer == wanted and paid == PAID.get(name, 0), text, time.monotonic() - began)
    each(jobs, do, [j for j in SALES.items() if only in (None, j[0])])


# board_check.py says "quit" to devices that are gone with the link.
BOARD_CHECK = """
import subprocess, sys
class Popen(subprocess.Popen):
    def __init__(self, *a, **k):
        super().__init__(*a, **k)
        if self.stdin is not None:
            say = self.stdin.write
            def write(text):
                try:
                    say(text)
                    self.stdin.flush()
                except OSError:
                    pass
            self.stdin.write = write
subprocess.Popen = Popen
import board_check
sys.argv[0] = "board_check.py"
sys.exit(board_check.main())
"""


# Of a pause or a late ACK of ours that is the machine's: our own code had no more part in it than this.
OWN_SHARE_MS = 1.0


def recording(name):
    """Where board_check.py has payrig record a scenario."""
    import board_check
    base, faults = (name, []) if name in board_check.SC else board_check.FAULTY[name][:2]
    return os.path.join("out", "bc-" + base + ("-" + "-".join(faults) if faults else "") + ".jsonl")


def held_up(name):
    """What payrig says of itself in the recording of a scenario: how often it was late, and how much of that
    it spent in its own code, at the worst, in ms. Who else is accused of a limit, by its rule."""
    import board_check
    faults = [] if name in board_check.SC else board_check.FAULTY[name][1]
    late, own, accused = 0, 0.0, {}
    with open(recording(name)) as f:
        for line in f:
            try:
                entry = json.loads(line)
            except ValueError:
                continue
            if entry.get("type") == "slept":
                late += 1
            if entry.get("type") != "finding":
                continue
            share = re.search(r"([0-9.]+) ms spent in its own code", entry["text"])
            if entry["rule"] == "own-late" and share:
                late, own = late + 1, max(own, float(share.group(1)))
            elif entry["severity"] == "limit" and entry["rule"] != "script":
                accused[entry["rule"]] = accused.get(entry["rule"], 0) + 1
    return late, own, accused, not faults


# What board_check.py expects of a faulty device and names nothing for (None) is what it expects of a good one.
# That is not right for each of them:
#   escrow-ignored   a bill whose ESCROW (6.3, 35H) is acknowledged and not obeyed stays in escrow. It is not
#                    credited before BILL STACKED (6.3, 33H), so nothing is sold and no change is owed: the
#                    customer is at -5.00 while it lies there. The note to 35H gives the validator 30 s; our
#                    board then gives RESET (6.3, 30H), which gives the bill back. The scenario ends before.
#                    The bill is said by our books: "was last heard of in its escrow", with its worth.
IN_ESCROW = re.compile(r"a bill of ([0-9]+)\.([0-9]{2}) was last heard of in its escrow")


def in_escrow(entries):
    """What a recording says at its end of bills in the escrow of their validator, in cents."""
    found = [IN_ESCROW.search(entry["text"]) for entry in entries if entry.get("rule") == "money"]
    return sum(100 * int(m.group(1)) + int(m.group(2)) for m in found if m)


def recorded(name):
    """The findings of a scenario."""
    with open(recording(name)) as f:
        return [json.loads(line) for line in f if '"finding"' in line]


def told(lines, in_escrow):
    """True where payrig's books have the customer, and the cards, where they really are, with what they say of
    bills in escrow. A faulty device may keep money: that is told by books which say so."""
    truth, books = {}, {}
    for line in lines:
        if line.startswith("ours {"):
            truth = ast.literal_eval(line[len("ours "):])
        elif line.startswith("payrig's books {"):
            books = {k.strip('"'): v for k, v in ast.literal_eval(line[len("payrig's books "):]).items()}
    cards = sum(v for k, v in books.items() if "receipts" in k)
    # What a card paid is not the customer's cash.
    cash = books.get("customer", 0) + cards - in_escrow
    return bool(truth) and cards == truth.get("card taken", 0) and truth.get("customer") in (cash, cash - cards)


def our_board(jobs, only):
    def do(name):
        began = time.monotonic()
        p = subprocess.run([sys.executable, "-c", BOARD_CHECK, name], stdout=subprocess.PIPE,
                           stderr=subprocess.STDOUT, text=True)
        lines = [line.strip() for line in p.stdout.splitlines()]
        money = [line for line in lines if line.startswith("FAIL") and "master" not in line]
        words = [line for line in lines if line.startswith("FAIL master")]
        whole = any(line.startswith("==") for line in lines)
        late, own, accused, good = held_up(name) if whole else (0, 0.0, {}, False)
        # A pause of ours is the machine's where payrig was kept from running, by the account of the kernel.
        in_time = [line for line in words if "[3.2]" not in line]
        excused = not any("[3.2]" in line for line in words) or late > 0 and own <= OWN_SHARE_MS
        # A good peer plans to answer after 2 ms: where it does not, it was held up, and really late.
        wrongly = {rule: n for rule, n in accused.items() if rule not in ("response", "inter-byte")}
        if money and not good and told(lines, in_escrow(recorded(name))):
            words, money = words + ["the books say so: " + "; ".join(money)], []
        right = whole and not money and not in_time and not (good and wrongly)
        text = "; ".join(money + words) or ("right" if whole else lines[-1] if lines else "nothing said")
        if late:
            text += "; held up %d times, own code %.3f ms at most" % (late, own)
        if accused:
            text += "; accused: " + ", ".join("%s %d" % found for found in sorted(accused.items()))
        row("our-board", name, "books and every word", None if right and not excused else right, text, time.monotonic() - began)
    names = subprocess.run([sys.executable, "board_check.py", "--list"], stdout=subprocess.PIPE, text=True).stdout.split()
    each(jobs, do, [n for n in names if only in (None, n)])


def short(jobs, only):
    """Half a minute: one check of each kind of habit, and one fault."""
    todo = [
        ("keeps credit", ["--keep-credit"], ["--keep-credit", "--delivery", "3s"], "change-right", "pass", []),
        ("delivers in 8 s", ["--motor-s", "8"], [], "vend-success-said", "pass", []),
        ("no escrow", ["--no-escrow"], [], "escrow-decided", "skipped", []),
        ("level 2", ["--level", "2"], [], "money-of-32-bits", "skipped", []),
        ("bad-checksum-sent", [], [], "command-checksums", "fail", ["bad-checksum-sent"]),
    ]

    def do(job):
        name, vmc, options, check, wanted, faults = job
        run = one_check("short", GOOD + vmc, options, check, faults)
        outcome, seen, seconds = settled(run, (wanted,))
        row("short", name, check, verdict(outcome, wanted), "%s: %s" % (outcome, seen), seconds)
    each(jobs, do, [j for j in todo if only in (None, j[0])])


def each(jobs, do, todo):
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        for done in [pool.submit(do, job) for job in todo]:
            done.result()


GROUPS = {"short": short, "habits": habits, "board": board, "board-faults": board_faults, "device": device,
          "device-faults": device_faults, "our-devices": our_devices, "our-board": our_board}


def main():
    ap = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ap.add_argument("peers")
    ap.add_argument("payrig")
    ap.add_argument("what", nargs="+", choices=list(GROUPS) + ["all"])
    ap.add_argument("--jobs", type=int, default=2, help="runs at a time; more than the machine has cores makes them late")
    ap.add_argument("--from", dest="first", metavar="NAME", help="of the faults of the board, this and those after it")
    ap.add_argument("--only", metavar="NAME", help="this habit, fault, kind of device or scenario only")
    ap.add_argument("--table", metavar="FILE", help="writes the table there as well")
    ap.add_argument("--keep", metavar="DIR", help="keeps recordings and logs there")
    o = ap.parse_args()
    global FIRST
    FIRST = o.first
    if not os.path.exists(os.path.join(o.peers, "vmc.py")):
        print("SKIPPED outside witnesses: no vmc.py in %s" % o.peers)
        return SKIPPED
    try:
        import serial  # noqa: F401
    except ImportError:
        print("SKIPPED outside witnesses: %s has no pyserial (pip install -r tests/python/requirements.txt)" % sys.executable)
        return SKIPPED
    os.environ["PAYRIG"] = os.path.abspath(o.payrig)
    with tempfile.TemporaryDirectory() as folder:
        own = os.path.join(folder, "peers")
        shutil.copytree(o.peers, own, ignore=shutil.ignore_patterns("out", "__pycache__"))
        sys.path.insert(0, own)
        table = os.path.abspath(o.table) if o.table else None
        keep = os.path.abspath(o.keep) if o.keep else None
        os.chdir(own)
        for what in GROUPS if "all" in o.what else o.what:
            if what != "short" or "short" in o.what:
                GROUPS[what](o.jobs, o.only)
        os.chdir("/")
        if keep and os.path.isdir(os.path.join(own, "out")):
            shutil.copytree(os.path.join(own, "out"), keep, dirs_exist_ok=True)
    print("%d runs: %d wrong, %d untold (this machine was too busy)" % (len(ROWS), len(WRONG), len(UNTOLD)))
    for line in WRONG + UNTOLD:
        print("  " + line)
    if table:
        with open(table, "w") as f:
            f.write("\n".join(ROWS) + "\n")
    return 1 if WRONG else 0


if __name__ == "__main__":
    sys.exit(main())
