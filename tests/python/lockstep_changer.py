#!/usr/bin/env python3
"""A coin changer of level 2 in lock-step, from docs/src/lockstep.md and MDB/ICP 4.3, section 5, alone.

    payrig run rig.toml --role board --peer "python3 lockstep_changer.py"
    payrig examine device --kind changer --peer "python3 lockstep_changer.py"

It is a peer of payrig's tests, and an example: nothing but the Python standard library.
"""
import json
import sys

ANSWER = 1000                   # an answer begins so long after the command (3.2: 5 ms at most)
VALUES = [5, 10, 25, 100]       # minor units by coin type; the last goes to the cash box
TUBES = {0: 20, 1: 30, 2: 25}   # coins in the tubes
FULL = 80
LENGTHS = {0: 2, 1: 2, 2: 2, 3: 2, 4: 6, 5: 3}      # of commands, with their CHK (5.2)

tubes = dict(TUBES)
block, after = [], None         # of a command that comes in: its bytes, the end of its last word
reports, said = [], 0           # for POLL, and how many of them the last answer has
last, waits = None, False       # the last answer, and whether its ACK is waited for
enabled = 0                     # coins that are taken (COIN TYPE)
paying, due = [], None          # coins still to be paid, and when the next one falls
coming = []                     # coins on their way: when they land, coin type
quiet_until = 0                 # silent after a reset
powered, held = True, False     # the lever, held
out = 0                         # money that has come out


def reset(now):
    global reports, said, enabled, paying, due, waits, block, quiet_until
    reports, said, enabled, paying, due, waits, block = [b"\x0b"], 0, 0, [], None, False, []
    quiet_until = now + 100000


def answer(at, data):
    """ACK for no data; else the data and its CHK, the mode bit on the last (2.2)."""
    global last, waits
    last, waits = data, bool(data)
    words = ["%02X" % b for b in data] + ["%02X*" % (sum(data) & 255)]
    print("W %d %s" % (at + ANSWER, " ".join(words)))


def command(at, c):
    global enabled, said, due
    kind, said = c[0] & 7, 0
    if at < quiet_until:
        return
    if kind == 0:
        answer(at, b"")
        reset(at)
    elif kind == 1:             # level, currency 1840, scale 5, two decimals, routing, values (5.3)
        answer(at, bytes([2, 0x18, 0x40, 5, 2, 0, 7] + [v // 5 for v in VALUES] + [0] * 12))
    elif kind == 2:
        full = sum(1 << i for i, n in tubes.items() if n >= FULL)
        answer(at, bytes([0, full] + [tubes.get(i, 0) for i in range(16)]))
    elif kind == 3:
        data = b""
        for report in reports:
            if len(data) + len(report) <= 16:
                data, said = data + report, said + 1
        answer(at, data + (b"\x02" if paying and len(data) < 16 else b""))
    elif kind == 4:
        enabled = c[1] << 8 | c[2]
        answer(at, b"")
    elif kind == 5 and not paying:      # a changer that pays answers no other DISPENSE
        paying.extend([c[1] & 15] * (c[1] >> 4))
        due = at + 100000
        answer(at, b"")


def word(at, byte, mode):
    global block, after, waits, said
    if mode:
        if waits:
            waits, said = False, 0      # no ACK: it is said again
        block = [byte] if byte & 0xF8 == 0x08 else []
    elif block and at - after < 10000:
        block.append(byte)
    elif waits and not block:
        waits = byte == 0xAA
        if byte == 0xAA:                # RET (2.2)
            answer(at, last)
        elif byte == 0x00:
            del reports[:said]
        return
    after = at
    if block and len(block) == LENGTHS.get(block[0] & 7):
        data, block = block, []
        if sum(data[:-1]) & 255 == data[-1] and powered:
            command(at, data)


def tick(now):
    """What is due by now: coins that land, coins that fall."""
    global due, out
    while coming and coming[0][0] <= now:
        kind = coming.pop(0)[1]
        to_tube = kind in tubes and tubes[kind] < FULL
        if to_tube:
            tubes[kind] += 1
        reports.append(bytes([(0x50 if to_tube else 0x40) | kind, tubes.get(kind, 0)]))
    while paying and due <= now:
        kind = paying.pop(0)
        if tubes.get(kind, 0) > 0:
            tubes[kind] -= 1
            out += VALUES[kind]
        due += 100000


def act(now, a):
    """What a person does; None where a person can, else why not."""
    global powered, held, out
    do = a["do"]
    if do == "insert-coin" and "unknown" in a:
        if enabled and powered:
            reports.append(b"\x21")     # a slug (5.3)
    elif do == "insert-coin":
        kind = a["type"] if "type" in a else VALUES.index(round(float(a["value"]) * 100))
        if powered and now >= quiet_until and enabled >> kind & 1:
            coming.append((now + 300000, kind))
        else:
            out += VALUES[kind]
    elif do in ("press-lever", "hold-lever"):
        reports.append(b"\x01")
    elif do == "release-lever":
        pass
    elif do == "power":
        powered = a["on"]
        reset(now)
    elif do != "prepare":
        return "this changer has no %s" % do
    return None


def main():
    for line in sys.stdin:
        f = line.split(maxsplit=1)
        rest = f[1].strip() if len(f) > 1 else ""
        if f[0] == "L":
            print("L 1 quiet=900")
            reset(0)
        elif f[0] == "W":
            at, w = rest.split()
            tick(int(at))
            word(int(at), int(w[:2], 16), w.endswith("*"))
        elif f[0] == "B":
            at, length = map(int, rest.split())
            if length >= 100000 and powered:            # a bus reset (3.2)
                reset(at)
        elif f[0] == "A":
            pending.append((act, json.loads(rest.split(" ", 1)[1])))
        elif f[0] == "?":
            pending.append((None, json.loads(rest.split(" ", 1)[1])))
        elif f[0] == "T":
            now = int(rest)
            tick(now)
            for what, a in pending:
                if what is not None:
                    why = what(now, a)
                    print("=" if why is None else "! " + why)
                elif a.get("see") == "came-out":
                    print('= "%d.%02d"' % divmod(out, 100))
                else:
                    print("! nobody sees that")
            pending.clear()
            times = [t for t, _ in coming[:1]] + ([due] if paying else [])
            print("N %d" % max(now + 1, min(times)) if times else "R")
        elif f[0] == "Q":
            return
        if f[0] in "LT":
            sys.stdout.flush()


pending = []
main()
