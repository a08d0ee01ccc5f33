"""What notices are sent to in tests: a web hook and a mail server on the loopback interface."""

from __future__ import annotations

import email
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller


@dataclass
class WebHook:
    """Address as the config would hold it, and what was posted there."""

    address: str
    posts: list[dict[str, Any]] = field(default_factory=list)


@dataclass
class MailServer:
    """Address as the config would hold it, and the mails that were taken."""

    address: str
    mails: list[Message] = field(default_factory=list)


@contextmanager
def web_hook() -> Iterator[WebHook]:
    """Take posts until the end of the block."""
    hook = WebHook("")

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            content = self.rfile.read(int(self.headers["Content-Length"]))
            hook.posts.append(json.loads(content))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    hook.address = f"json://127.0.0.1:{server.server_address[1]}/secret-path"
    try:
        yield hook
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def mail_server() -> Iterator[MailServer]:
    """Take mails until the end of the block."""
    port = free_port()
    mailbox = MailServer(
        f"mailto://127.0.0.1:{port}/?from=machine-room@example.org&to=engineer@example.org"
        "&mode=insecure"
    )

    class Handler:
        async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
            mailbox.mails.append(email.message_from_bytes(envelope.content))
            return "250 taken"

    controller = Controller(Handler(), hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield mailbox
    finally:
        controller.stop()


def free_port() -> int:
    """A port on the loopback interface that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
