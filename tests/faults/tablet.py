"""A tablet without a screen: sends readings over HTTP, again and again, until it is told 'kept'."""

import http.client
import json
import time
import uuid
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

# One reading of each of these kinds can be made up from a number.
TIMED = ("belt-abrasion", "contact-heat")
VALUED = ("seam-strength",)
ENTERED = (*TIMED, *VALUED)


def raw_of(method: str, number: int) -> dict[str, Any]:
    """What is typed for the reading of that number."""
    if method in TIMED:
        return {"seconds": f"{2 + number % 37 * 0.1:.1f}", "ended": "failed"}
    return {"value": f"{10 + number % 41}.5"}


@dataclass
class Tablet:
    """Somebody's session on one port; counts the answers it got."""

    port: int
    session: str
    answers: Counter[int | str] = field(default_factory=Counter)
    _token: str = ""

    def enter(
        self, run: int, raw: dict[str, Any], *, measured_at: datetime, within_s: float, **more: Any
    ) -> uuid.UUID:
        """Send one reading under one id until the server names it as stored."""
        key = uuid.uuid4()
        body = {"run": run, "raw": raw, "measured_at": measured_at.isoformat(), **more}
        give_up_at = time.monotonic() + within_s
        while True:
            status, told = self.ask("PUT", f"/api/v1/readings/{key}/", body)
            if status in (200, 201) and json.loads(told)["id"] == str(key):
                return key
            assert time.monotonic() < give_up_at, (status, told[:2000], self.answers)
            time.sleep(0.1)

    def ask(self, method: str, address: str, body: Any = None) -> tuple[int | str, str]:
        """Ask once; a status of the server, or what went wrong on the way."""
        status: int | str
        try:
            if body is not None and not self._token:
                self._token = json.loads(self._send("GET", "/api/v1/session/", None)[1])[
                    "csrf_token"
                ]
            status, told = self._send(method, address, body)
        except (OSError, http.client.HTTPException, ValueError) as error:
            status, told = type(error).__name__, str(error)
        if status == 403:
            self._token = ""
        self.answers[status] += 1
        return status, told

    def _send(self, method: str, address: str, body: Any) -> tuple[int, str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            connection.request(
                method,
                address,
                body=None if body is None else json.dumps(body),
                headers={
                    "Content-Type": "application/json",
                    "Cookie": f"sessionid={self.session}; csrftoken={self._token}",
                    "X-CSRFToken": self._token,
                },
            )
            answer = connection.getresponse()
            return answer.status, answer.read().decode()
        finally:
            connection.close()
