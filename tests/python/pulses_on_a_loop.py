"""Five pulses on the CTS line of a UART whose driver can connect RTS to CTS inside (TIOCM_LOOP).

    python3 pulses_on_a_loop.py /dev/ttyS0

The port must be connected to nothing. The standard library alone is used.
"""

import array
import fcntl
import os
import sys
import termios
import time

TIOCM_LOOP = 0x8000  # linux/termios.h; not in Python's termios


def set_bits(port, bits, on):
    request = termios.TIOCMBIS if on else termios.TIOCMBIC
    fcntl.ioctl(port, request, array.array("i", [bits]))


def main():
    port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    set_bits(port, TIOCM_LOOP, True)
    set_bits(port, termios.TIOCM_RTS, False)
    print("ready", flush=True)
    sys.stdin.readline()
    set_bits(port, termios.TIOCM_RTS, False)
    time.sleep(1)
    for _ in range(5):
        set_bits(port, termios.TIOCM_RTS, True)
        time.sleep(0.15)
        set_bits(port, termios.TIOCM_RTS, False)
        time.sleep(0.15)
    time.sleep(2)
    set_bits(port, TIOCM_LOOP, False)


main()
