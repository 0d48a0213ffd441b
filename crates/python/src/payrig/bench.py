"""A bench: what is done at it, waited for and looked at.

Names and fields are those of a rig's script (docs/src/rigs.md); ``-`` in a name is ``_`` here, and a name
that is a word of Python has ``_`` behind it (``from_``, ``for_``). Amounts and times are texts, as in a rig
("0.25", "2 s"); what comes back is in minor units and microseconds.
"""
from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from decimal import Decimal
from types import TracebackType
from typing import Any, Dict, Iterator, List, Optional, Type, Union

from .errors import Problem, WaitFailed
from .transport import Transport

Amount = Union[str, Decimal]
Json = Dict[str, Any]


def _plain(fields: Json) -> Json:
    """Fields as payrig has them: names with ``-``, amounts as texts, what is None left out."""
    plain = {}
    for name, value in fields.items():
        if value is None:
            continue
        if isinstance(value, float):
            raise TypeError(f"{name}={value!r}: give amounts and times as texts, as in \"0.25\" or \"2 s\"")
        plain[name.rstrip("_").replace("_", "-")] = str(value) if isinstance(value, Decimal) else value
    return plain


def place(where: Any) -> str:
    """A place of the ledger as people say it: "changer tube 1"."""
    if not isinstance(where, dict):
        return str(where)
    ((kind, of),) = where.items()
    of = of if isinstance(of, list) else [of]
    return " ".join([str(of[0]), str(kind).replace("_", " ").replace("-", " "), *map(str, of[1:])])


def one_line(event: Json, decimals: int = 2) -> str:
    """An event as a line for people."""
    at = int(event.get("at_us") or event.get("start_us") or 0)
    kind = event.get("type", "?")
    number = event.get("number")
    who = event.get("device") or event.get("who") or ""
    if kind == "block":
        words = " ".join(event.get("bytes", []))
        way = "board >" if event.get("source") == "master" else "> board"
        text = f"{way} {who}: {words}  {event.get('text', '')}"
    elif kind == "movement":
        amount = Decimal(event.get("amount", 0)).scaleb(-decimals)
        text = f"{amount} from {place(event.get('from'))} to {place(event.get('to'))}"
    elif kind == "edge":
        text = f"{event.get('line')} {'high' if event.get('high') else 'low'}"
    else:
        text = event.get("text") or event.get("why") or ""
        text = f"{who}: {text}" if who else str(text)
    return f"{at / 1e6:12.6f} s  {'' if number is None else number:>6}  {kind:<9} {text}"


@dataclass
class Waited:
    """How a wait ended."""

    met: bool
    text: str
    at_us: int
    next: int
    """The number of the next event."""
    event: Optional[Json] = None
    """The event that was waited for."""
    missed: Optional[Json] = None
    """What was seen instead."""
    evidence: List[Json] = field(default_factory=list)
    """What happened meanwhile, the last of it."""
    document: Json = field(default_factory=dict)
    """The whole answer."""

    @classmethod
    def of(cls, document: Json) -> "Waited":
        return cls(
            met=bool(document["met"]),
            text=str(document["text"]),
            at_us=int(document["at_us"]),
            next=int(document["next"]),
            event=document.get("event"),
            missed=document.get("missed"),
            evidence=list(document.get("evidence", [])),
            document=document,
        )

    def __bool__(self) -> bool:
        return self.met

    def explain(self) -> str:
        """What was waited for, what was seen instead, and what happened meanwhile."""
        seen = (self.missed or {}).get("text", "it did not happen")
        waited = (self.at_us - int(self.document.get("began_us", self.at_us))) / 1e6
        lines = [f"waited {waited:g} s for: {self.text}; {seen}"]
        lines += [f"  {one_line(event)}" for event in self.evidence[-12:]]
        return "\n".join(lines)


@dataclass
class Look:
    """Something that was looked at."""

    seen: Any
    """An amount in minor units, a text, a number, or True or False."""
    at_us: int


@dataclass
class Closed:
    """A bench that has ended."""

    passed: bool
    text: str
    balances: Dict[str, int]
    """What is where at the end, in minor units."""
    findings: List[Json]
    document: Json

    def explain(self) -> str:
        """The verdict, and what it rests on."""
        lines = [self.text]
        broken = [f for f in self.findings if f.get("severity") != "advice"]
        lines += [f"  {f.get('rule')}: {f.get('text')}" for f in broken]
        return "\n".join(lines)


class Bench:
    """A bench of a server. In a ``with`` block it is closed at its end, with its verdict in
    :attr:`closed`."""

    def __init__(self, transport: Transport, document: Json):
        self._transport = transport
        self.id: str = document["bench"]
        self.name = str(document.get("name", self.id))
        self.decimals: int = int(document.get("decimals", 2))
        self.opened: Json = document
        self.closed: Optional[Closed] = None

    def _post(self, verb: str, fields: Json) -> Json:
        return self._transport.json("POST", Transport.path("benches", self.id, verb), fields)

    def _get(self, verb: str, **query: Any) -> Json:
        return self._transport.json("GET", Transport.path("benches", self.id, verb, **query))

    # ---- what is done ------------------------------------------------------------------------

    def act(self, do: str, **fields: Any) -> Json:
        """Does anything that a script can: ``bench.act("load-tube", value="0.25")``."""
        return self._post("act", {"do": do, **_plain(fields)})

    def insert_coin(self, value: Optional[Amount] = None, device: Optional[str] = None, **fields: Any) -> Json:
        """A coin is put in; ``unknown=True`` for one that nobody knows."""
        return self.act("insert-coin", value=value, device=device, **fields)

    def insert_bill(self, value: Optional[Amount] = None, device: Optional[str] = None, **fields: Any) -> Json:
        """A bill is put in."""
        return self.act("insert-bill", value=value, device=device, **fields)

    def present_card(self, balance: Optional[Amount] = None, device: Optional[str] = None, **fields: Any) -> Json:
        """A card is shown; its balance is not known to the reader for None."""
        return self.act("present-card", balance=balance, device=device, **fields)

    def remove_card(self, device: Optional[str] = None) -> Json:
        """The card is taken away."""
        return self.act("remove-card", device=device)

    def select(self, item: Union[int, str]) -> Json:
        """A selection key: its number, or as it stands on the machine ("A1")."""
        return self.act("select", item=item)

    def press_return(self) -> Json:
        """The coin return."""
        return self.act("press-return")

    def jam_item(self, item: Union[int, str]) -> Json:
        """The next delivery of this item fails."""
        return self.act("jam-item", item=item)

    def free_item(self, item: Union[int, str]) -> Json:
        """It falls again."""
        return self.act("free-item", item=item)

    def power(self, on: bool, device: Optional[str] = None) -> Json:
        """Power to a device; to the board for None."""
        return self.act("power", on=on, **({"device": device} if device else {"board": True}))

    def silence(self, device: str, for_: str) -> Json:
        """A device says nothing for a time."""
        return self.act("silent", device=device, for_=for_)

    @contextlib.contextmanager
    def fault(self, kind: str, from_: str, *, count: int = 1_000_000 - 1, **fields: Any) -> Iterator["Bench"]:
        """Something goes wrong on the wire while the block runs: ``kind`` is lose, deaf, flip, late or slow;
        ``from_`` is "board" or "peripheral"; ``frame``, ``at``, ``device``, ``skip``, ``by``, ``gap``, ``word``,
        ``bit`` as in a script. At the end of the block every fault of the bench (of ``device``, where one is
        given) is taken away."""
        self.act("fault", kind=kind, from_=from_, count=count, **fields)
        try:
            yield self
        finally:
            self.act("end-faults", device=fields.get("device"))

    @contextlib.contextmanager
    def without_power(self, device: Optional[str] = None) -> Iterator["Bench"]:
        """The power of a device, or of the board, is off while the block runs."""
        self.power(False, device)
        try:
            yield self
        finally:
            self.power(True, device)

    # ---- what is waited for ------------------------------------------------------------------

    def waits(self, **condition: Any) -> Waited:
        """As :meth:`wait`; what did not come true is an answer: ``if bench.waits(credit="0.25"): ...``."""
        return Waited.of(self._post("wait", self._condition(condition)))

    def wait(self, **condition: Any) -> Waited:
        """Waits in bench time until something is so, or raises :class:`WaitFailed`, an AssertionError that says
        what was seen instead.

        One of ``credit="0.25"``, ``display="READY"``, ``holds={"customer": "-1.00"}``, ``sold=1``,
        ``exact_change=True``, ``seen="..."``, ``ready=True`` (everything) or ``ready="changer"``, ``rest=True``
        (nothing is under way), ``for_="2 s"``, ``event={"type": "block", "name": "VEND SUCCESS"}``. ``within``
        says how long at the most [10 s]; ``from_`` from which event on to look.
        """
        waited = self.waits(**condition)
        if not waited.met:
            raise WaitFailed(waited)
        return waited

    def run(self, for_: Optional[str] = None, **condition: Any) -> Waited:
        """Moves bench time on, at any pace: by a time, or until something is so (as in :meth:`wait`)."""
        if for_ is not None:
            condition["for_"] = for_
        return Waited.of(self._post("run", self._condition(condition)))

    def _condition(self, given: Json) -> Json:
        fields = dict(given)
        plain: Json = {}
        for name in ("credit", "display", "sold", "exact_change", "seen"):
            if name in fields:
                what = {"credit": "value", "display": "text", "sold": "count", "exact_change": "on", "seen": "text"}
                plain["expect"] = name.replace("_", "-")
                plain[what[name]] = _plain({"value": fields.pop(name)})["value"]
        if "holds" in fields:
            ((place, amount),) = fields.pop("holds").items()
            amount = str(amount)
            plain["expect"] = "balance"
            plain["place"] = place
            plain.update({"minus": amount[1:]} if amount.startswith("-") else {"value": amount})
        if isinstance(fields.get("ready"), str):
            plain["expect"], plain["device"] = "ready", fields.pop("ready")
        return {**plain, **_plain(fields)}

    # ---- what is looked at -------------------------------------------------------------------

    def look(self, at: str, **fields: Any) -> Look:
        """Looks at credit, display, exact-change, ready, sold, balance, went-to, fell or seen."""
        document = self._get("look", at=at.replace("_", "-"), **_plain(fields))
        return Look(document["seen"], int(document["at_us"]))

    @property
    def credit(self) -> int:
        """The board's cash credit, in minor units."""
        return int(self.look("credit").seen)

    @property
    def display(self) -> str:
        """What the display shows."""
        return str(self.look("display").seen)

    def holds(self, place: str) -> int:
        """What a place of the ledger holds, in minor units: ``bench.holds("customer")``."""
        return int(self.look("balance", place=place).seen)

    def state(self) -> Json:
        """All of the bench as it is now."""
        return self._transport.json("GET", Transport.path("benches", self.id))

    @property
    def links(self) -> List[Json]:
        """Its links; for a pseudo-terminal ``path`` is what a program opens."""
        return list(self.opened.get("links", []))

    @property
    def pty(self) -> str:
        """The path of its pseudo-terminal."""
        if not self.links:
            raise LookupError("no link: open the bench with link=\"pty\", or write [link] in the rig")
        return str(self.links[0]["path"])

    # ---- what happened -----------------------------------------------------------------------

    def events(self, **wanted: Any) -> List[Json]:
        """Events by number: ``from_``, ``most``, and a filter: ``type``, ``device``, ``name``, ``text``, ``rule``."""
        return list(self._get("events", **_plain(wanted))["events"])

    def stream(self, **wanted: Any) -> Iterator[Json]:
        """Events as they come, until the bench ends. A reader that is too slow gets one of type ``missed``,
        and misses those events only."""
        for _, event in self._transport.stream(Transport.path("benches", self.id, "stream", **_plain(wanted))):
            yield event

    def ledger(self) -> Json:
        """Where the money is, and how it came there."""
        return self._get("ledger")

    def findings(self) -> List[Json]:
        """Limits broken, and advice."""
        return list(self._get("findings")["findings"])

    def trains(self) -> List[Json]:
        """Pulse trains as they were measured."""
        return list(self._get("trains")["trains"])

    def recording(self) -> str:
        """The recording, as ``payrig run`` writes it; its verdict is there once the bench is closed."""
        return self._transport.text(Transport.path("benches", self.id, "recording"))

    def log(self, last: int = 40) -> str:
        """The last of what happened, a line each, without polls that nobody answered."""
        state = self.state()
        events = self.events(from_=max(1, int(state["next"]) - 50 * last), most=10_000)
        told = [e for e in events if e.get("name") not in ("POLL", "ACK")]
        return "\n".join(one_line(event, self.decimals) for event in told[-last:])

    # ---- its time and its end ----------------------------------------------------------------

    def pace(self, pace: str) -> Json:
        """How time passes: "simulated" (as fast as it goes, while something is waited for), "real", "paused"."""
        return self._post("pace", {"pace": pace})

    def reset(self) -> None:
        """From the beginning: the same rig, the same seed."""
        self.opened = self._post("reset", {})

    def close(self) -> Closed:
        """Ends the bench. A second time it gives the same."""
        if self.closed is None:
            document = self._post("close", {})
            balances = {b["place"]: int(b["amount"]) for b in document.get("balances", [])}
            passed, text = bool(document["passed"]), str(document["text"])
            self.closed = Closed(passed, text, balances, list(document.get("findings", [])), document)
        return self.closed

    def remove(self) -> None:
        """Ends the bench and forgets it: nothing can be asked of it any more."""
        self._transport.json("DELETE", Transport.path("benches", self.id))

    def __enter__(self) -> "Bench":
        return self

    def __exit__(
        self, kind: Optional[Type[BaseException]], error: Optional[BaseException], trace: Optional[TracebackType]
    ) -> None:
        try:
            self.close()
            self.remove()
        except Problem:
            if error is None:
                raise
