"""Tells alerts to a web hook and to the broker, and keeps which needs were told, so that a restart tells none again.

Each is written down before it is sent, and sent again only where it surely did not arrive: a host that could not be
reached, or that answered that it would not take it now. One whose answer was lost may have arrived, and is let be.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import aiohttp

from capture.board.alerts import Alert, AlertWatch
from capture.board.floor import Floor
from capture.config import Alerts
from capture.mqtt.connection import secret_text
from capture.mqtt.topics import alert_topic
from capture.plumbing.durable import written
from capture.plumbing.outward import warn

_LOOK_EVERY_S: Final = 5.0
_ANSWER_S: Final = 10.0
_FIRST_PAUSE_S: Final = 2.0
_LONGEST_PAUSE_S: Final = 60.0
#: What waits for a hook that is away; beyond that the oldest is let go, and said.
_MOST_WAITING: Final = 1000


class AlertSender:
    """Tells the needs on a floor while `run` runs. Raises ValueError for settings that cannot be used.

    `tell` hands topic and payload to the broker, at its next chance. `file` holds what was told. `clock` says the time.
    """

    def __init__(
        self,
        settings: Alerts,
        floor: Floor,
        file: Path,
        tell: Callable[[str, bytes], None],
        clock: Callable[[], datetime],
        look_every_s: float = _LOOK_EVERY_S,
    ) -> None:
        self._settings, self._floor, self._file, self._tell, self._clock = settings, floor, file, tell, clock
        self._look_every_s = look_every_s
        self._watch = AlertWatch(settings.kinds, timedelta(seconds=settings.after_s))
        self._hook: asyncio.Queue[Alert] = asyncio.Queue(_MOST_WAITING)
        self._written: list[tuple[str, str]] = []

    async def run(self) -> None:
        """Look and tell until cancelled."""
        self._watch.remember(self._kept(), self._clock())
        posting = asyncio.create_task(self._post_all())
        try:
            while True:
                now = self._clock()
                alerts = self._watch.look(self._floor.rows(now), self._floor.broker, now)
                self._keep()
                for alert in alerts:
                    self._send(alert)
                await asyncio.sleep(self._look_every_s)
        finally:
            posting.cancel()
            await asyncio.gather(posting, return_exceptions=True)

    def _send(self, alert: Alert) -> None:
        warn(f"alert: {alert.bench or 'the board'}: {alert.kind}: {alert.words}")
        if self._settings.topic and alert.bench:  # of a broker that is lost the broker cannot be told
            self._tell(alert_topic(alert.bench), _json(alert))
        if self._settings.webhook:
            if self._hook.full():
                gone = self._hook.get_nowait()
                warn(f"the web hook is away; let go: {gone.kind} at {gone.bench}")
            self._hook.put_nowait(alert)

    async def _post_all(self) -> None:
        if not self._settings.webhook:
            return
        limit = aiohttp.ClientTimeout(total=_ANSWER_S)
        async with aiohttp.ClientSession(timeout=limit) as session:
            while True:
                alert, pause = await self._hook.get(), _FIRST_PAUSE_S
                while not await self._posted(session, alert):
                    await asyncio.sleep(pause)
                    pause = min(2 * pause, _LONGEST_PAUSE_S)

    async def _posted(self, session: aiohttp.ClientSession, alert: Alert) -> bool:
        """Return whether that is done with; False where it surely did not arrive, and may be sent again."""
        headers = {"Content-Type": "application/json"}
        try:
            if self._settings.token_file is not None:
                token = await asyncio.to_thread(secret_text, self._settings.token_file, "token_file")
                headers["Authorization"] = f"Bearer {token}"
            async with session.post(
                self._settings.webhook, data=_json(alert), headers=headers, allow_redirects=False
            ) as answer:
                if answer.status == 429 or answer.status >= 500:  # RFC 6585, section 4; RFC 9110, section 15.6
                    warn(f"the web hook answers {answer.status}; it is tried again")
                    return False
                if answer.status >= 300:
                    warn(f"the web hook does not take an alert: it answers {answer.status}")
        except (aiohttp.ClientConnectorError, ValueError) as error:
            warn(f"the web hook cannot be reached: {error}; it is tried again")
            return False
        except (aiohttp.ClientError, TimeoutError) as error:
            why = str(error) or type(error).__name__
            warn(f"the web hook did not answer ({why}): the alert may have arrived, and is not sent again")
        return True

    def _kept(self) -> list[tuple[str, str]]:
        try:
            told = json.loads(self._file.read_bytes())
            return [(str(bench), str(kind)) for bench, kind in told]
        except FileNotFoundError:
            return []
        except (OSError, ValueError, TypeError) as error:
            warn(f"what was told before cannot be read from {self._file}: {error}; needs that stand are told anew")
            return []

    def _keep(self) -> None:
        told = self._watch.told()
        if told == self._written:
            return
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            with written(self._file) as file:
                file.write(json.dumps(told).encode() + b"\n")
            self._written = told
        except OSError as error:
            warn(f"what is told cannot be kept in {self._file}: {error}; after a restart it is told again")


def _json(alert: Alert) -> bytes:
    return json.dumps(alert.form(), ensure_ascii=False).encode()
