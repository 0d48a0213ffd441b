"""Tests of vending machine payment: benches of payrig, driven from Python.

    from payrig import Server

    with Server() as server, server.open() as bench:
        bench.wait(ready=True)
        bench.insert_coin("0.25")
        bench.wait(credit="0.25")

Standard library only. With pytest installed, the package brings fixtures: see ``payrig.pytest_plugin``.
"""
from .bench import Bench, Closed, Look, Waited
from .errors import PayrigError, Problem, ServerEnded, WaitFailed
from .server import Server

__all__ = [
    "Bench",
    "Closed",
    "Look",
    "PayrigError",
    "Problem",
    "Server",
    "ServerEnded",
    "WaitFailed",
    "Waited",
]
__version__ = "0.1.0"
