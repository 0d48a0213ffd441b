"""What can go wrong, and what to do about it."""
from __future__ import annotations

from typing import TYPE_CHECKING, Any, Dict, Optional

if TYPE_CHECKING:
    from .bench import Waited


class PayrigError(Exception):
    """Anything that went wrong between this program and payrig."""


class ServerEnded(PayrigError):
    """payrig is not there, did not start, or ended before it was asked to."""


class Problem(PayrigError):
    """payrig refused something: the problem document of RFC 9457 that it answered.

    ``title``, ``status`` and ``detail`` as there; ``file`` and ``line`` where the mistake is in a rig;
    ``advice`` says what to do.
    """

    def __init__(self, document: Dict[str, Any]):
        self.document = document
        self.type: str = str(document.get("type", "about:blank"))
        self.title: str = str(document.get("title", "refused"))
        self.status: int = int(document.get("status", 0))
        self.detail: str = str(document.get("detail", ""))
        self.file: Optional[str] = document.get("file")
        self.line: Optional[int] = document.get("line")
        self.advice: Optional[str] = document.get("advice")
        where = f"{self.file}:{self.line}: " if self.file and self.line else ""
        text = where + (self.detail or self.title)
        super().__init__(f"{text}\n  {self.advice}" if self.advice else text)


class WaitFailed(PayrigError, AssertionError):
    """What was waited for did not come true in time. ``waited`` has what was seen instead, and what
    happened meanwhile."""

    def __init__(self, waited: "Waited"):
        self.waited = waited
        super().__init__(waited.explain())
