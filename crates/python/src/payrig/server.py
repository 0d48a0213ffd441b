"""payrig serve, started and ended by this program."""
from __future__ import annotations

import json
import os
import shutil
import subprocess
import threading
from types import TracebackType
from typing import Any, Dict, List, Optional, Sequence, Type, Union

from .bench import Bench
from .errors import ServerEnded
from .transport import Transport

Path = Union[str, "os.PathLike[str]"]


def program() -> str:
    """The payrig that is used where none is named: that of the environment variable PAYRIG, or the one
    on the path."""
    named = os.environ.get("PAYRIG")
    if named:
        return named
    found = shutil.which("payrig")
    if found is None:
        raise ServerEnded("there is no payrig on the path: install it, or say where it is with PAYRIG=/path/to/payrig")
    return found


class Server:
    """A ``payrig serve`` of one's own: on loopback, on a port that is free, with a token of its own.

    It ends with the ``with`` block, and benches that are open end with it.

    ``payrig`` is the program [that of PAYRIG, or of the path]. ``peers`` allows benches with a ``peer``: a
    command that payrig starts. ``arguments`` are further ones for ``payrig serve``.
    """

    def __init__(self, payrig: Optional[Path] = None, *, peers: bool = False, arguments: Sequence[str] = ()):
        self._command: List[str] = [os.fspath(payrig) if payrig is not None else program(), "serve"]
        if peers:
            self._command.append("--allow-peers")
        self._command += list(arguments)
        self._process: Optional["subprocess.Popen[str]"] = None
        self._errors: List[str] = []
        self.ready: Dict[str, Any] = {}

    def start(self) -> "Server":
        """Starts it, and waits for its ready line."""
        try:
            process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
            )
        except OSError as error:
            raise ServerEnded(f"{self._command[0]} cannot be started: {error}") from error
        self._process = process
        assert process.stdout is not None and process.stderr is not None
        threading.Thread(target=self._keep, args=(process.stderr, self._errors), daemon=True).start()
        for line in process.stdout:
            try:
                ready = json.loads(line)
            except ValueError:
                continue
            if ready.get("type") == "ready":
                self.ready = ready
                break
        if not self.ready:
            process.wait()
            raise ServerEnded("payrig serve did not start: " + "".join(self._errors).strip())
        # What else it says is read, so that it never waits for a reader.
        threading.Thread(target=self._keep, args=(process.stdout, []), daemon=True).start()
        self.transport = Transport(str(self.ready["address"]), int(self.ready["port"]), str(self.ready["token"]))
        return self

    @staticmethod
    def _keep(stream: Any, lines: List[str]) -> None:
        for line in stream:
            lines.append(line)
            del lines[:-200]

    def stop(self) -> None:
        """Ends it: benches get their verdicts, recordings are whole."""
        process = self._process
        if process is None:
            return
        self._process = None
        self.transport.close()
        process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def __enter__(self) -> "Server":
        return self.start()

    def __exit__(
        self, kind: Optional[Type[BaseException]], error: Optional[BaseException], trace: Optional[TracebackType]
    ) -> None:
        self.stop()

    def open(self, rig: Optional[Path] = None, **settings: Any) -> Bench:
        """Opens a bench: from the path of a rig, from ``toml=`` (the text of one), or the built-in one.

        Further settings as in the verb ``open`` of docs/src/serve.md: ``seed``, ``pace`` ("simulated",
        "real", "paused"), ``script``, ``record``, ``link``, ``role``, ``coding``, ``peer``, ``id`` ...
        """
        if rig is not None:
            settings["rig"] = os.path.abspath(os.fspath(rig))
        settings.setdefault("record", True)
        return Bench(self.transport, self.transport.json("POST", "/benches", settings))

    def benches(self) -> List[Dict[str, Any]]:
        """The benches that are open, as they are now."""
        return list(self.transport.json("GET", "/benches")["benches"])
