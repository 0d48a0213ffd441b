#!/usr/bin/env python3
"""A board with a coin changer, on the pseudo-terminal of a payrig bench.

Written from docs/src/links.md (the codings) and MDB/ICP 4.3, sections 2, 3 and 5 (the messages).
It resets the bus, sets the changer up, lets coins in, sells one item when there is enough money,
gives change, and prints one JSON object per thing that happens. Exit code 0 when a vend was
completed, 1 when it was not, 2 when the command was wrong.

    board_on_pty.py /dev/pts/7 --coding plain --price 150
"""

import argparse
import json
import sys
import time

import serial

ACK, RET, NAK = 0x00, 0xAA, 0xFF
RESET, SETUP, TUBE_STATUS, POLL, COIN_TYPE, DISPENSE = 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D

# A peripheral answers within 5 ms (3.2); 20 ms are to be borne (Appendix 3, section 2). This
# program runs on a machine that may stall, so it bears more before it calls it silence.
ANSWER_BORNE = 0.5
BREAK_MS = 120  # at least 100 (3.2)
SETUP_S = 0.5  # at least 0.2 (3.2); 0.5 before the first TUBE STATUS (5.3, note 1)


class MarkedParity:
    """Codes FF FF, FF 00 x and plain bytes."""

    def __init__(self):
        self.state = "plain"

    def words(self, words):
        out = bytearray()
        for byte, mode in words:
            if mode:
                out += bytes((0xFF, 0x00, byte))
            elif byte == 0xFF:
                out += b"\xff\xff"
            else:
                out.append(byte)
        return bytes(out)

    def bus_reset(self):
        return b"\xff\x00\x00"

    def feed(self, data):
        for byte in data:
            if self.state == "plain":
                if byte == 0xFF:
                    self.state = "mark"
                else:
                    yield byte, False
            elif self.state == "mark":
                if byte == 0x00:
                    self.state = "mode"
                else:
                    self.state = "plain"
                    yield byte, False
            else:
                # A peripheral speaks: FF 00 00 is its ACK, not a break.
                self.state = "plain"
                yield byte, True


class Plain:
    """One line of text per event."""

    def __init__(self):
        self.line = b""

    def words(self, words):
        text = " ".join(f"{byte:02X}{'*' if mode else ''}" for byte, mode in words)
        return f"W - {text}\n".encode()

    def bus_reset(self):
        return f"B - {BREAK_MS * 1000}\n".encode()

    def feed(self, data):
        self.line += data
        while b"\n" in self.line:
            line, self.line = self.line.split(b"\n", 1)
            kind, _time, *fields = line.split()
            if kind == b"W":
                for field in fields:
                    yield int(field.rstrip(b"*"), 16), field.endswith(b"*")


class Bus:
    """The master's half of an exchange (2.2)."""

    def __init__(self, path, coding):
        self.port = serial.Serial(path, timeout=0.02)
        self.coding = {"marked-parity": MarkedParity, "plain": Plain}[coding]()
        self.heard = []

    def reset(self):
        self.port.write(self.coding.bus_reset())
        time.sleep(BREAK_MS / 1000 + SETUP_S)

    def say(self, words):
        self.port.write(self.coding.words(words))

    def answer(self):
        """The bytes of an answer; None for silence."""
        block, until = [], time.monotonic() + ANSWER_BORNE
        while time.monotonic() < until:
            while self.heard:
                byte, mode = self.heard.pop(0)
                block.append(byte)
                if mode:
                    return bytes(block)
            self.heard.extend(self.coding.feed(self.port.read(max(1, self.port.in_waiting))))
        return None

    def exchange(self, *command):
        """Sends a command. Gives the data of the answer (empty for ACK), None for none."""
        chk = sum(command) & 0xFF
        first, *rest = command
        self.heard.clear()
        self.say([(first, True)] + [(byte, False) for byte in rest] + [(chk, False)])
        for _ in range(2):
            answer = self.answer()
            if answer is None or answer == bytes([NAK]):
                return None
            if answer == bytes([ACK]):
                return b""
            *data, chk = answer
            if data and sum(data) & 0xFF == chk:
                self.say([(ACK, False)])
                return bytes(data)
            self.say([(RET, False)])
        self.say([(NAK, False)])
        return None


class Board:
    def __init__(self, bus, price):
        self.bus, self.price, self.credit, self.paid = bus, price, 0, 0
        self.values = [0] * 16
        self.busy = False
        self.told = None

    def tell(self, what, **more):
        print(json.dumps({"board": what, **more}), flush=True)

    def ask(self, *command):
        """Repeats a command until it is answered (2.2: silence is tolerated for the non-response
        time, 2 s for a changer, 5.4)."""
        until = time.monotonic() + 4
        while time.monotonic() < until:
            data = self.bus.exchange(*command)
            if data is not None:
                return data
            time.sleep(0.025)
        raise TimeoutError(f"no answer to {bytes(command).hex(' ')}")

    def set_up(self):
        """The sequence of 5.3, RESET."""
        self.bus.reset()
        until = time.monotonic() + 4
        while 0x0B not in self.ask(POLL):
            if time.monotonic() > until:
                raise TimeoutError("the changer did not report that it was reset")
            time.sleep(0.025)
        setup = self.ask(SETUP)
        level, scale, credits = setup[0], setup[3], setup[7:]
        for coin_type, count in enumerate(credits):
            self.values[coin_type] = 0 if count == 0xFF else count * scale
        self.tubes = self.ask(TUBE_STATUS)[2:]
        self.ask(COIN_TYPE, 0xFF, 0xFF, 0x00, 0x00)
        self.tell("set up", level=level, coins=self.values, tubes=list(self.tubes))

    def poll(self):
        data = list(self.ask(POLL))
        self.busy = False
        while data:
            first = data.pop(0)
            if first & 0x80:  # dispensed by hand: two bytes
                data[:1] = []
            elif first & 0xC0 == 0x40:  # coin deposited: two bytes
                in_tube = data.pop(0) if data else 0
                coin_type, routing = first & 0x0F, first >> 4 & 3
                # Our ACK came too late on a machine that stalls: the same coin is reported again, and
                # there are no more in its tube (5.3, POLL).
                if routing == 1 and (first, in_tube) == self.told:
                    self.tell("reported again", type=coin_type, in_tube=in_tube)
                    continue
                self.told = (first, in_tube)
                if routing in (0, 1):
                    self.credit += self.values[coin_type]
                self.tell("coin", type=coin_type, routing=routing, credit=self.credit)
            elif first == 0x02:
                self.busy = True
            elif first == 0x01:
                self.tell("escrow lever")

    def counts(self):
        return (list(self.ask(TUBE_STATUS)[2:]) + [0] * 16)[:16]

    def pay_out(self):
        """Gives the credit back in coins, the largest first (5.3, DISPENSE). The tubes say what came
        out: an order that was not answered is not simply given again (Appendix 3, section 3)."""
        tubes = self.counts()
        for _ in range(20):
            worth = [t for t in range(16) if 0 < self.values[t] <= self.credit and tubes[t] > 0]
            if not worth:
                return
            coin_type = max(worth, key=lambda t: (self.values[t], t))
            value = self.values[coin_type]
            count = min(self.credit // value, tubes[coin_type], 15)
            answered = self.bus.exchange(DISPENSE, count << 4 | coin_type) is not None
            time.sleep(0.05 if answered else 0.5)
            self.busy = True
            while self.busy:
                self.poll()
                time.sleep(0.05)
            after = self.counts()
            out, tubes = tubes[coin_type] - after[coin_type], after
            self.credit -= out * value
            self.paid += out * value
            self.tell("pays out", type=coin_type, count=out)

    def run(self, seconds):
        self.set_up()
        until = time.monotonic() + seconds
        while self.credit < self.price:
            if time.monotonic() > until:
                self.tell("no sale", credit=self.credit)
                return False
            time.sleep(0.05)
            self.poll()
        self.ask(COIN_TYPE, 0x00, 0x00, 0x00, 0x00)
        self.credit -= self.price
        self.tell("vend", price=self.price)
        self.pay_out()
        self.tell("done", price=self.price, change=self.paid, credit=self.credit)
        return True


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("path", help="the path after 'bus:' that payrig printed")
    parser.add_argument("--coding", choices=["marked-parity", "plain"], default="marked-parity")
    parser.add_argument("--price", type=int, default=150, help="in minor units (default 150)")
    parser.add_argument("--seconds", type=float, default=30, help="how long to wait for the money")
    options = parser.parse_args()
    try:
        board = Board(Bus(options.path, options.coding), options.price)
        return 0 if board.run(options.seconds) else 1
    except (serial.SerialException, TimeoutError) as error:
        print(f"board_on_pty: {error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
