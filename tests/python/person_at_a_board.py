#!/usr/bin/env python3
"""A person at a terminal of 80 columns, and a board beside it: a whole attended examination.

    person_at_a_board.py RIG --payrig BIN --board BIN [--out FOLDER] [--only CHECKS] [--takes SECONDS]

RIG is a rig whose board is ours. Its board runs as a process of its own (tests/examples/board_at_hand.rs),
`payrig examine board` runs in a pseudo-terminal and speaks to it over two more, and what it asks for is done:
selections pressed, motors blocked and freed, the machine switched, settings and prices changed, what fell and
what is shown looked at. What stood on the terminal is kept in FOLDER/terminal.txt, without the line that is
written over. Prints what did not pass and what was not understood; exit code 0 when nothing failed.
"""

import argparse
import fcntl
import json
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
import time
import tty

COLUMNS = 80


def outside(rig):
    """The same machine with its board at the other end of a link; scripts are left out."""
    lines, out, skip = rig.split("\n"), [], False
    for line in lines:
        if line.startswith("["):
            skip = line.startswith("[[script]]")
        if not skip:
            out.append(line)
    return "\n".join(out).replace('kind = "controller"', 'kind = "outside"')


def carry(near, far):
    """Bytes from one pseudo-terminal to another, both ways."""
    ends = [os.open(path, os.O_RDWR | os.O_NOCTTY) for path in (near, far)]
    for end in ends:
        tty.setraw(end)

    def go(source, sink):
        try:
            while data := os.read(source, 256):
                os.write(sink, data)
        except OSError:
            pass
    for source, sink in (ends, ends[::-1]):
        threading.Thread(target=go, args=(source, sink), daemon=True).start()


class Board:
    """The board as a process, and what can be seen at it."""

    def __init__(self, program, rig):
        self.process = subprocess.Popen([program, rig], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                        text=True, bufsize=1)
        self.path = json.loads(self.process.stdout.readline())["path"]
        self.exact, self.fell, self.shown, self.unknown = False, [], [], []
        threading.Thread(target=self.watch, daemon=True).start()

    def watch(self):
        for line in self.process.stdout:
            seen = json.loads(line)
            now = time.monotonic()
            if "exact_change" in seen:
                self.exact = seen["exact_change"]
            elif "fell" in seen:
                self.fell.append((now, seen["fell"]))
            elif "shows" in seen:
                self.shown.append((now, seen["shows"]))
            elif "unknown" in seen:
                self.unknown.append(seen["unknown"])

    def do(self, what):
        self.process.stdin.write(what + "\n")
        self.process.stdin.flush()


SETTINGS = {
    "allow several vends": "set several-vends on",
    "allow one vend": "set several-vends off",
    "put cash on cards": "set revalue on",
    "put no cash": "set revalue off",
    "use always-idle": "set always-idle on",
    "use no always-idle": "set always-idle off",
    "use card readers of several": "set currencies on",
    "use no card readers of several": "set currencies off",
}


class Person:
    def __init__(self, board, key):
        self.board, self.key, self.since, self.blocked = board, key, 0.0, set()
        self.unknown = []

    def answer(self, question):
        """What is typed; what was asked for is done before."""
        low = question.lower()
        selection = re.search(r"selection (\w+)", question)
        number = self.key(selection.group(1)) if selection else None
        if "set the board up for" in low:
            return ""
        if "switch the machine" in low:
            self.board.do("power on" if " on again" in low or "really on" in low else "power off")
            return ""
        if "press selection" in low:
            if number in self.blocked:
                self.board.do(f"jam {number}")
            self.since = time.monotonic()
            self.board.do(f"select {number}")
            return ""
        if "block its motor" in low:
            self.blocked.add(number)
            self.board.do(f"jam {number}")
            return ""
        if "free the motor" in low:
            self.blocked.discard(number)
            self.board.do(f"free {number}")
            return ""
        if "set the price of selection" in low and (price := re.search(r" to (\d+)\.(\d\d)", low)):
            which = "card-price" if "on cards" in low else "price"
            self.board.do(f"{which} {number} {int(price.group(1)) * 100 + int(price.group(2))}")
            return ""
        if "change the settings" in low:
            for words, what in SETTINGS.items():
                if words in low:
                    self.board.do(what)
            return ""
        if "did the item" in low:
            return "y" if any(at >= self.since and fell == number for at, fell in self.board.fell) else "n"
        if "exact-change light" in low:
            return "y" if self.board.exact else "n"
        if shown := re.search(r'show "([^"]*)"', question):
            recent = [text for at, text in self.board.shown if at >= self.since - 10]
            return "y" if any(shown.group(1) in text for text in recent) else "n"
        self.unknown.append(question)
        return "?" if "y or n" in low or "amount" in low else "s"


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("rig")
    parser.add_argument("--payrig", required=True)
    parser.add_argument("--board", required=True)
    parser.add_argument("--out", default=".")
    parser.add_argument("--only")
    parser.add_argument("--takes", type=float, default=1.0)
    options = parser.parse_args()
    os.makedirs(options.out, exist_ok=True)
    at = lambda name: os.path.join(options.out, name)
    with open(options.rig) as f:
        text = f.read()
    with open(at("outside.toml"), "w") as f:
        f.write(outside(text))
    board = Board(options.board, options.rig)
    trays = lambda key: (ord(key[0]) - ord("A") + 1) * 100 + int(key[1:]) if key[0].isalpha() else int(key)
    person = Person(board, trays)
    command = [options.payrig, "examine", "board", "--rig", at("outside.toml"), "--link", "pty", "--json",
               at("it.json"), "--html", at("it.html"), "--record", at("it.jsonl"), "--overwrite"]
    if options.only:
        command += ["--only", options.only]
    child, terminal = pty.fork()
    if child == 0:
        time.sleep(0.2)
        os.execv(command[0], command)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 40, COLUMNS, 0, 0))
    began, screen, open_question, carried = time.monotonic(), "", "", False
    log, raw = open(at("terminal.txt"), "w"), open(at("raw.txt"), "wb")
    wide = 0
    while True:
        try:
            data = os.read(terminal, 4096)
        except OSError:
            break
        raw.write(data)
        raw.flush()
        screen += data.decode("utf-8", "replace")
        while "\n" in screen:
            line, screen = screen.split("\n", 1)
            # What was written over is gone.
            line = re.sub(r"^.*\r\x1b\[K", "", line.rstrip("\r"))
            line = re.sub(r"\x1b\[[0-9;]*m", "", line)
            wide = max(wide, len(line))
            log.write("%7.1f %s\n" % (time.monotonic() - began, line))
            log.flush()
            if not carried and (path := re.search(r"/dev/pts/\d+", line)):
                carry(path.group(0), board.path)
                carried = True
            if line.startswith("-> ") or open_question:
                open_question += " " + line.strip()
            if open_question and re.search(r"q to end$", open_question):
                time.sleep(options.takes)
                typed = person.answer(open_question)
                open_question = ""
                os.write(terminal, (typed + "\n").encode())
    _, status = os.waitpid(child, 0)
    board.process.stdin.close()
    board.process.wait(5)
    with open(at("it.json")) as f:
        report = json.load(f)
    counts = {}
    for check in report["checks"]:
        counts[check["outcome"]] = counts.get(check["outcome"], 0) + 1
        if check["outcome"] != "pass":
            print("%-11s %s: %s" % (check["outcome"], check["id"], check["seen"]))
    print("%.0f s, %s, exit code %d, longest line %d" % (
        time.monotonic() - began, counts, os.waitstatus_to_exitcode(status), wide))
    for question in person.unknown + board.unknown:
        print("not understood: " + question)
    return 1 if counts.get("fail") or person.unknown or wide > COLUMNS else 0


if __name__ == "__main__":
    sys.exit(main())
