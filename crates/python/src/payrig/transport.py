"""JSON over HTTP on loopback, on one connection that is kept."""
from __future__ import annotations

import http.client
import json
import threading
from typing import Any, Dict, Iterator, Optional, Tuple
from urllib.parse import quote, urlencode

from .errors import Problem, ServerEnded

# A wait by the wall clock may take as long as it was asked to.
PATIENCE_S = 600.0


class Transport:
    """Requests to one server. Threads may share it: each has a connection of its own."""

    def __init__(self, host: str, port: int, token: str):
        self.host, self.port, self.token = host, port, token
        self._own = threading.local()

    def _connection(self) -> http.client.HTTPConnection:
        connection: Optional[http.client.HTTPConnection] = getattr(self._own, "connection", None)
        if connection is None:
            connection = http.client.HTTPConnection(self.host, self.port, timeout=PATIENCE_S)
            self._own.connection = connection
        return connection

    def _headers(self) -> Dict[str, str]:
        return {"Authorization": f"Bearer {self.token}", "Accept": "application/json"}

    @staticmethod
    def path(*parts: str, **query: Any) -> str:
        """A path of quoted parts; what is None is left out of the query."""
        asked = {k: v for k, v in query.items() if v is not None}
        text = "/" + "/".join(quote(part, safe="") for part in parts)
        return f"{text}?{urlencode(asked, doseq=True)}" if asked else text

    def raw(self, method: str, path: str, body: Optional[Dict[str, Any]] = None) -> Tuple[str, bytes]:
        """Media type and bytes of an answer; a problem is raised."""
        data = None if body is None else json.dumps(body).encode()
        headers = self._headers()
        if data is not None:
            headers["Content-Type"] = "application/json"
        connection = self._connection()
        # A server closes a connection that was quiet for long: what only looks is asked again.
        for last in (False, True):
            try:
                connection.request(method, path, body=data, headers=headers)
                response = connection.getresponse()
                content = response.read()
                break
            except (http.client.HTTPException, OSError) as error:
                connection.close()
                stale = isinstance(error, (http.client.RemoteDisconnected, BrokenPipeError, ConnectionResetError))
                if last or method != "GET" or not stale:
                    raise ServerEnded(f"payrig does not answer on {self.host}:{self.port}: {error}") from error
        kind = response.getheader("Content-Type", "") or ""
        if response.status >= 400:
            try:
                document = json.loads(content)
            except ValueError:
                document = {"detail": content.decode("utf-8", "replace")}
            if not isinstance(document, dict):
                document = {"detail": str(document)}
            document.setdefault("status", response.status)
            raise Problem(document)
        return kind, content

    def json(self, method: str, path: str, body: Optional[Dict[str, Any]] = None) -> Dict[str, Any]:
        """An answer in JSON."""
        _, content = self.raw(method, path, body)
        answer = json.loads(content) if content else {}
        return answer if isinstance(answer, dict) else {"value": answer}

    def text(self, path: str) -> str:
        """A document."""
        return self.raw("GET", path)[1].decode("utf-8")

    def stream(self, path: str) -> Iterator[Tuple[str, Dict[str, Any]]]:
        """Server-sent events: their names and data, until the stream ends."""
        connection = http.client.HTTPConnection(self.host, self.port, timeout=None)
        try:
            headers = {**self._headers(), "Accept": "text/event-stream"}
            connection.request("GET", path, headers=headers)
            response = connection.getresponse()
            if response.status >= 400:
                document = json.loads(response.read())
                document.setdefault("status", response.status)
                raise Problem(document)
            name, data = "message", []
            while True:
                line = response.readline().decode("utf-8")
                if not line:
                    return
                line = line.rstrip("\r\n")
                if line.startswith("event:"):
                    name = line[6:].strip()
                elif line.startswith("data:"):
                    data.append(line[5:].lstrip(" "))
                elif not line:
                    if data:
                        yield name, json.loads("\n".join(data))
                    name, data = "message", []
        finally:
            connection.close()

    def close(self) -> None:
        """Closes this thread's connection."""
        connection = getattr(self._own, "connection", None)
        if connection is not None:
            connection.close()
            self._own.connection = None
