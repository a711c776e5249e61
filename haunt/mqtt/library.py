"""The broker of last resort, for the demo and for trying out: amqtt on loopback, mended.

`main(FOLDER, PORT)` runs as a child and ends with its parent. It keeps no promise
about lost motions and is never opened to a network: it binds to 127.0.0.1 and nothing else.
Mended here are the worst faults found in amqtt 0.12.1: keepalive was never enforced, a refused
sign-in deafened the board whose id it used, wills were not checked, and retained messages were
sent to clients that had not asked for them.
"""

import asyncio
import hmac
import json
import logging
import sys
from base64 import b64decode
from hashlib import pbkdf2_hmac
from pathlib import Path
from typing import Any

from amqtt.broker import Broker
from amqtt.contexts import Action
from amqtt.errors import MQTTError
from amqtt.mqtt.connack import NOT_AUTHORIZED, ConnackPacket
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.plugins.base import BaseAuthPlugin, BaseTopicPlugin

from haunt.mqtt.listening import LOOPBACK
from haunt.wire.forms import is_board_id
from haunt.wire.topics import DOWN_KINDS, UP_KINDS


class Rights:
    """Who may sign in and touch which topic; read anew from the files that Mosquitto would read."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        told = json.loads((folder / "library.json").read_text())
        self.root, self.controller = told["root"], told["controller"]

    def knows(self, username: str | None, password: str | None) -> bool:
        hashes = json.loads((self._folder / "credentials.json").read_text())["hashes"]
        if username not in hashes or password is None:
            return False
        _, kind, rounds, salt, digest = hashes[username].split("$")
        if kind != "7":
            return False
        mine = pbkdf2_hmac("sha512", password.encode(), b64decode(salt), int(rounds))
        return hmac.compare_digest(mine, b64decode(digest))

    def may(self, username: str | None, topic: str, *, write: bool) -> bool:
        if username == self.controller:
            return topic.startswith(f"{self.root}/")
        if username is None or not is_board_id(username):
            return False
        parts = topic.removeprefix(f"{self.root}/").split("/")
        if not topic.startswith(f"{self.root}/") or len(parts) != 2:
            return False
        if parts[0] == "all":
            return not write
        return parts[0] == username and parts[1] in (UP_KINDS if write else DOWN_KINDS)


_rights: list[Rights] = []


class SignIn(BaseAuthPlugin):  # type: ignore[misc]
    async def authenticate(self, *, session: Any) -> bool:
        """Username and client id are one, so that no board can take another's session."""
        rights = _rights[0]
        return session.client_id == session.username and rights.knows(
            session.username, session.password
        )


class Topics(BaseTopicPlugin):  # type: ignore[misc]
    async def topic_filtering(
        self, *, session: Any = None, topic: str | None = None, action: Action | None = None
    ) -> bool:
        return _rights[0].may(session.username, topic or "", write=action is Action.PUBLISH)


class Handler(BrokerProtocolHandler):  # type: ignore[misc]
    """Signs in before the broker touches an old session, and drops who has gone silent."""

    @classmethod
    async def init_from_connect(
        cls, reader: Any, writer: Any, plugins_manager: Any, loop: Any = None
    ) -> tuple[Any, Any]:
        handler, session = await _connect(cls, reader, writer, plugins_manager, loop)
        will_topic = getattr(session, "will_topic", None)
        allowed = (
            session.client_id == session.username
            and _rights[0].knows(session.username, session.password)
            and (not will_topic or _rights[0].may(session.username, will_topic, write=True))
        )
        if not allowed:
            await ConnackPacket.build(0, NOT_AUTHORIZED).to_stream(writer)
            await writer.close()
            raise MQTTError("not authorised")
        if session.keep_alive:
            session.keep_alive = max(1, int(session.keep_alive * 1.5 + 0.5))  # MQTT-3.1.2-24
        return handler, session

    def handle_read_timeout(self) -> None:
        task = asyncio.ensure_future(self._drop())
        _tasks.add(task)
        task.add_done_callback(_tasks.discard)

    async def _drop(self) -> None:
        await self.handle_connection_closed()
        if self.writer:
            await self.writer.close()


_tasks: set[Any] = set()
_connect = BrokerProtocolHandler.init_from_connect.__func__


class LoopbackBroker(Broker):  # type: ignore[misc]
    async def _delete_session(self, client_id: str) -> None:
        """Close the connection that a newer one of the same id replaces."""
        old = self._sessions.get(client_id)
        if old and old[0].transitions.is_connected():
            await old[1].handle_connection_closed()
            await asyncio.sleep(0)
            if old[1].writer:
                await old[1].writer.close()
        await super()._delete_session(client_id)

    async def _publish_retained_messages_for_subscription(
        self, subscription: Any, session: Any
    ) -> None:
        listeners = self._subscriptions.get(subscription[0], [])
        if any(each.client_id == session.client_id for each, _ in listeners):
            await super()._publish_retained_messages_for_subscription(subscription, session)


async def run(folder: Path, port: int) -> None:
    """Serve until the parent's pipe closes."""
    _rights.append(Rights(folder))
    BrokerProtocolHandler.init_from_connect = Handler.__dict__["init_from_connect"]
    BrokerProtocolHandler.handle_read_timeout = Handler.handle_read_timeout
    BrokerProtocolHandler._drop = Handler._drop  # noqa: SLF001 - amqtt names its handler itself
    broker = LoopbackBroker(
        {
            "listeners": {
                "default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}", "max_connections": 500}
            },
            "plugins": {f"{__name__}.SignIn": {}, f"{__name__}.Topics": {}},
        }
    )
    await broker.start()
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    await broker.shutdown()


def main(folder: str, port: str) -> None:
    logging.disable(logging.CRITICAL)
    asyncio.run(run(Path(folder), int(port)))
