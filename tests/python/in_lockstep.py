#!/usr/bin/env python3
"""A board or devices that were written for a serial port and the clock, in lock-step (docs/src/lockstep.md).

    payrig examine board --peer "python3 in_lockstep.py PEERS vmc.py [OPTIONS OF IT]"
    payrig examine device --kind changer --peer "python3 in_lockstep.py PEERS periph.py --kind changer"

PEERS is the folder with vmc.py and periph.py (this repository holds no copy of it). Their code runs as it is:
what they see of the machine is replaced, from below. The serial port is payrig (their coding "plain" is that of
lock-step, line for line), the clock is bench time, and a wait, of theirs or of asyncio, is the end of a turn.
What a person would do at them comes as lines A and ?, and becomes the orders that they take on standard input.
LOCKSTEP_LOG names a file for what they print; LOCKSTEP_ORDERS holds orders that are given by the clock, as JSON:
[[6, "coin 25"], [9.5, "lever"]].
"""
import asyncio
import importlib
import json
import math
import os
import selectors
import sys
import time
import types

QUIET = 1000                # they answer 1.5 ms and 2 ms after a word: until then more of a block may come
FD = 1 << 20                # of their serial port; the system has none of that number


class Over(SystemExit):
    """payrig has said Q, or is gone."""


class Step:
    """Bench time, and the turns."""

    def __init__(self):
        self.now = 0
        self.heard = b""            # lines for their serial port
        self.asked = []             # what is to be answered in this turn
        self.stirred = False        # an order was given: whoever waits looks
        self.zero = -1              # when it was last looked without waiting
        self.person = None
        self.orders = sorted(json.loads(os.environ.get("LOCKSTEP_ORDERS") or "[]"))
        self.read = sys.stdin.buffer.readline
        self.out = sys.stdout.buffer

    def open(self):
        line = self.read().split()
        assert line[:2] == [b"L", b"1"], line
        self.out.write(b"L 1 quiet=%d\n" % QUIET)
        self.out.flush()
        self.listen()

    def say(self, line):
        """A line of theirs. "Now" of a plain coding is now; what they are late with, too."""
        kind, at, rest = line.split(b" ", 2)
        if at == b"-" or int(at) < self.now:
            at = b"%d" % self.now
        self.out.write(b"%s %s %s\n" % (kind, at, rest))

    def turn(self, until):
        """Ends a turn: nothing before that time, or nothing ever for None. Comes back with the next."""
        if self.asked:
            # It may have been asked before it began to run.
            self.answer()
            return
        if self.orders:
            due = math.ceil(self.orders[0][0] * 1e6)
            until = due if until is None else min(until, due)
        if until is None:
            self.out.write(b"R\n")
        else:
            self.out.write(b"N %d\n" % max(self.now + 1, until))
        self.out.flush()
        self.listen()

    def listen(self):
        while True:
            line = self.read()
            kind = line[:1]
            if kind == b"T":
                self.now = int(line[2:])
                break
            if kind in (b"W", b"B"):
                self.heard += line
            elif kind in (b"A", b"?"):
                self.asked.append((kind, json.loads(line.split(b" ", 2)[2])))
            elif kind == b"Q" or not line:
                raise Over(0)
        while self.orders and self.orders[0][0] * 1e6 <= self.now:
            self.person.order(self.orders.pop(0)[1])
            self.stirred = True

    def answer(self):
        asked, self.asked, self.stirred = self.asked, [], True
        for kind, what in asked:
            try:
                answer = self.person.act(what) if kind == b"A" else self.person.look(what)
                self.out.write(b"= %s\n" % json.dumps(answer).encode())
            except (LookupError, ValueError, TypeError) as why:
                self.out.write(b"! %s\n" % str(why).replace("\n", " ").encode())

    def wait(self, seconds):
        """Waits for something to be heard, or an order; for ever for None."""
        until = None if seconds is None else self.now + math.ceil(seconds * 1e6)
        if seconds is not None and seconds <= 0:
            # Who looks twice without waiting waits, or time would stand still.
            if self.zero != self.now:
                self.zero = self.now
                return
            until = self.now + 1
        self.stirred = False
        while not self.heard and not self.stirred and (until is None or self.now < until):
            self.turn(until)

    def sleep(self, seconds):
        until = self.now + math.ceil(seconds * 1e6)
        while self.now < until:
            self.turn(until)


STEP = Step()


class Port:
    """Their serial port."""

    def __init__(self, *_, **__):
        pass

    def fileno(self):
        return FD

    def close(self):
        pass


class Os:
    """os, with that port."""

    def __getattr__(self, name):
        return getattr(os, name)

    @staticmethod
    def write(fd, data):
        if fd != FD:
            return os.write(fd, data)
        for line in data.splitlines():
            STEP.say(line)
        return len(data)

    @staticmethod
    def read(fd, size):
        if fd != FD:
            return os.read(fd, size)
        data, STEP.heard = STEP.heard, b""
        return data


def select(reading, _writing, _errors, timeout=None):
    """select.select of that port alone."""
    STEP.wait(timeout)
    return (reading if STEP.heard else [], [], [])


class Selector(selectors.SelectSelector):
    """What asyncio waits in: for its timers, and orders."""

    def select(self, timeout=None):
        if timeout is None or timeout > 0:
            STEP.stirred = False
            until = None if timeout is None else STEP.now + math.ceil(timeout * 1e6)
            STEP.turn(until)
        return []


class Loop(asyncio.SelectorEventLoop):
    def __init__(self):
        super().__init__(Selector())
        self._clock_resolution = 1e-6

    def time(self):
        return STEP.now / 1e6


def run(coroutine):
    loop = Loop()
    asyncio.set_event_loop(loop)
    return loop.run_until_complete(coroutine)


class Printed:
    """What they print: JSON lines, for whoever looks."""

    def __init__(self, person, log):
        self.person, self.log, self.text = person, log, ""

    def write(self, text):
        self.text += text
        while "\n" in self.text:
            line, self.text = self.text.split("\n", 1)
            if self.log:
                self.log.write("%.6f %s\n" % (STEP.now / 1e6, line))
            if line.startswith("{"):
                self.person.event(json.loads(line))

    def flush(self):
        pass


def cents(text):
    return round(float(text) * 100)


def amount(n):
    return "%d.%02d" % divmod(max(0, n), 100)


class AtBoard:
    """Hands and eyes at vmc.py."""

    def __init__(self):
        self.vmc, self.loop = None, None
        self.exact, self.sold, self.display, self.credit = False, [], "", 0

    def event(self, e):
        kind = e.get("vmc")
        if kind == "exact change":
            self.exact = e["on"]
        elif kind == "sold":
            self.sold.append(e["item"])
        elif kind == "display":
            self.display = e["text"]
        elif kind == "credit":
            self.credit = e["credit"]

    def order(self, line):
        # As a line on its standard input: when the loop comes to it.
        asyncio.get_event_loop().call_soon(self.vmc.command, line)

    def act(self, a):
        do = a["do"]
        if do == "select":
            self.sold = [item for item in self.sold if item != a["item"]]
            self.order("select %d" % a["item"])
        elif do == "jam-item":
            self.order("jam %d" % a["item"])
        elif do == "free-item":
            self.order("unjam %d" % a["item"])
        elif do == "set-price":
            self.order("price %d %d" % (a["item"], cents(a["value"])))
        elif do == "power":
            self.order("power " + ("on" if a["on"] else "off"))
        elif do == "set-up":
            if a["cash-onto-cards"]:
                raise ValueError("this board puts no cash on cards")
            self.order("set multi_vend " + json.dumps(a["several-vends"]))
            options = 2 | (0x20 if a["always-idle"] else 0) | (4 if a["currencies"] else 0)
            self.order("set options %d" % options)
        else:
            raise ValueError("nobody can %s at this board" % do)

    def look(self, what):
        see = what["see"]
        if see == "exact-change":
            return bool(self.exact)
        if see == "fell":
            if what["item"] not in self.sold:
                return False
            self.sold.remove(what["item"])
            return True
        if see == "seen":
            return what["text"].strip().lower() in self.display.lower()
        if see == "credit":
            return amount(self.credit)
        raise ValueError("nobody sees %s at this board" % see)


class AtDevice:
    """Hands and eyes at periph.py with one device."""

    def __init__(self):
        self.host = None
        self.out, self.card, self.last = 0, 0, None

    def event(self, e):
        kind = e.get("dev")
        if kind in ("paid", "coin returned", "bill back", "bill refused"):
            self.out += e["value"]
        elif kind in ("charged", "refunded"):
            self.card += e["cents"] if kind == "charged" else -e["cents"]
        if kind in ("coin in", "bill stacked", "bill back", "bill swallowed"):
            self.last = e

    def order(self, line):
        self.host.orders.append(line)

    def act(self, a):
        do, device = a["do"], self.host.devs[0]
        orders = {
            "press-lever": "lever", "hold-lever": "lever", "jam": "jam", "clear-jam": "clear",
            "remove-cash-box": "cashbox out", "replace-cash-box": "cashbox in",
            "fill-stacker": "set bill stacked 400", "remove-card": "card out", "press-cancel": "return",
        }
        if do in ("insert-coin", "insert-bill"):
            self.last = None
            if "unknown" in a:
                self.order("slug" if do == "insert-coin" else "paper")
            else:
                kinds = [c[0] for c in device.coins] if do == "insert-coin" else device.bills
                value = cents(a["value"]) if "value" in a else kinds[a["type"]]
                self.order("%s %d" % (do[7:], value))
        elif do == "present-card":
            self.order("card %s" % (cents(a["balance"]) if "balance" in a else "unknown"))
        elif do in ("break-tube-sensor", "mend-tube-sensor"):
            self.order("tube-%s %d" % ("jam" if do[0] == "b" else "ok", a["type"]))
        elif do == "power":
            self.order("power " + ("on" if a["on"] else "off"))
        elif do == "slow-reader":
            self.host.o.decide_s = 0.3 if a["for"] is None else int(a["for"].split()[0]) / 1e6 + 0.1
        elif do in orders:
            self.order(orders[do])
        elif do != "release-lever":
            raise ValueError("nobody can %s at this %s" % (do, device.name))

    def look(self, what):
        see = what["see"]
        if see == "came-out":
            return amount(self.out)
        if see == "from-card":
            return amount(self.card)
        if see == "went-to" and self.last is not None:
            if " tube " in what["place"]:
                return self.last.get("where") == "tube"
            return self.last["dev"] == "bill stacked"
        if see == "went-to":
            return False
        raise ValueError("nobody sees %s at this device" % see)


def caught(kind, put):
    """Their object, once it is made."""
    made = kind.__init__

    def init(self, *a, **k):
        put(self)
        made(self, *a, **k)
    kind.__init__ = init


def main():
    peers, program, options = sys.argv[1], sys.argv[2], sys.argv[3:]
    sys.path.insert(0, peers)
    sys.dont_write_bytecode = True
    time.monotonic = lambda: STEP.now / 1e6
    time.monotonic_ns = lambda: STEP.now * 1000
    time.sleep = STEP.sleep
    sys.modules["serial"] = types.SimpleNamespace(Serial=Port)
    mdb = importlib.import_module("mdb")
    mdb.os, mdb.select = Os(), types.SimpleNamespace(select=select)
    # No priority is needed where nothing can be late.
    importlib.import_module("bench").fifo = lambda *_: None
    theirs = importlib.import_module(program.removesuffix(".py"))
    log = os.environ.get("LOCKSTEP_LOG")
    log = open(log, "w", buffering=1) if log else None
    if program == "vmc.py":
        person = AtBoard()
        caught(theirs.VMC, lambda vmc: setattr(person, "vmc", vmc))
        theirs.asyncio = types.SimpleNamespace(**{**vars(asyncio), "run": run})
    else:
        person = AtDevice()
        caught(theirs.Host, lambda host: setattr(person, "host", host))
    STEP.person = person
    STEP.open()
    sys.stdout = Printed(person, log)
    sys.argv = [program, "lock-step", "--coding", "plain", "--no-input"] + options
    theirs.main()
    # It has ended by itself: it says nothing more.
    while True:
        STEP.turn(None)


if __name__ == "__main__":
    try:
        main()
    except Over:
        if "vmc.py" in sys.argv[0]:
            # Its tasks are under way.
            os._exit(0)
