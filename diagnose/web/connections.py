"""Connections of the page's server: how many a client holds, and how long a request may take.

The server (waitress) answers in threads and reads in one loop, so that a connection on which
nothing comes costs no thread; but it stops listening when too many are open. Here room is made for
a new one instead: what gives way is the oldest that has not shown the secret, then the oldest that
waits. So connections that never finish a request keep nobody out.
"""

from __future__ import annotations

import logging
import ssl
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from socket import socket
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import MultiSocketServer, TcpWSGIServer
from waitress.task import ThreadedTaskDispatcher
from waitress.utilities import Error

_log = logging.getLogger(__name__)
SECONDS = 10.0
"""s that a request may take to come."""
SLOWEST = 64e3
"""B/s: who sends at least that may take longer, as with a recording over a wireless network."""
A_CLIENT, ALL = 20, 200
"""Connections that one client may hold, and all together. A browser opens six to one server (from
memory); `select` can tell of 1024 files."""
THREADS = 12
"""Requests answered at a time: some wait for the simulator."""

Knows = Callable[[str, str, str], bool]
"""Whether a request has the secret: its Host, its cookies, the query of its address."""


class _NotLetIn(Error):  # type: ignore[misc]
    """What is answered to a body that nobody who may ask has sent."""

    code, reason = 403, "Forbidden"


class _Parser(HTTPRequestParser):  # type: ignore[misc]
    """Reads a request; one with a body from a stranger is refused before the body comes."""

    def __init__(self, adj: Any, channel: Channel) -> None:
        super().__init__(adj)
        self._channel = channel

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        head: Mapping[str, str] = self.headers
        known = self._channel.server.knows(
            head.get("HOST", ""), head.get("COOKIE", ""), self.query or "")
        self._channel.known |= known
        if not known and self.body_rcv is not None:
            self.error = _NotLetIn("the secret of the address is missing")
            self.connection_close = self.completed = True


class Channel(HTTPChannel):  # type: ignore[misc]
    """One connection.

    Attributes
    ----------
    known : bool
        Whether a request on it had the secret.
    since : float
        When it was opened, or the request that is coming began, or the last one was answered;
        monotonic seconds.
    coming : bool
        Whether a request has not come whole yet.
    """

    server: Server

    def __init__(self, server: Server, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
        self.client = str(addr[0])
        self.known = False
        self.since = time.monotonic()
        self.coming, self._bytes = True, 0
        self._answering = False
        super().__init__(server, sock, addr, adj, map)

    def parser_class(self, adj: Any) -> _Parser:
        """A parser for the next request."""
        return _Parser(adj, self)

    @property
    def busy(self) -> bool:
        """Whether a request is being answered, or waits for a thread."""
        return self._answering or bool(self.requests)

    def overdue(self, now: float) -> bool:
        """Whether a request has been coming for too long."""
        allowed = SECONDS + self._bytes / SLOWEST
        return self.coming and not self.busy and now - self.since > allowed

    def received(self, data: bytes) -> bool:
        """Take what came."""
        before = self.request
        took = bool(super().received(data))
        after = self.request
        if after is None or after is not before:
            self.since, self._bytes = time.monotonic(), 0
        self.coming = after is not None
        self._bytes += len(data)
        return took

    def service(self) -> None:
        """Answer one request."""
        self._answering = True
        try:
            super().service()
            self.since = time.monotonic()
        finally:  # last: who is not busy must have the time of its answer, which tells its turn
            self._answering = False


class SecureChannel(Channel):
    """One connection over TLS. Its handshake is part of the first request's time."""

    def __init__(self, server: Server, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
        assert server.secure is not None
        self._turn = threading.Lock()  # the loop reads while a thread writes
        self._greeted = self._must_write = False
        wrapped = server.secure.wrap_socket(
            sock, server_side=True, do_handshake_on_connect=False, suppress_ragged_eofs=True)
        super().__init__(server, wrapped, addr, adj, map)

    def writable(self) -> bool:
        """Whether something has to be written."""
        return self._must_write or bool(super().writable())

    def handle_write(self) -> None:
        """Write, or go on with the handshake."""
        if self._greeted or self.will_close:
            super().handle_write()
        else:
            self.handle_read()

    def handle_read(self) -> None:
        """Read what there is: bytes that are decrypted already would not wake the loop."""
        self._must_write = False
        try:
            if not self._greeted:
                self.socket.do_handshake()
                self._greeted = True
            while self.socket is not None:
                with self._turn:
                    data = self.socket.recv(self.adj.recv_bytes)
                if not data:
                    self.handle_close()
                    return
                self.last_activity = time.time()
                self.received(data)
                if self.socket is None or not self.socket.pending():
                    return
        except ssl.SSLWantReadError:
            return
        except ssl.SSLWantWriteError:
            self._must_write = True
        except OSError:  # not TLS, another version of it, a certificate that was not accepted
            self.handle_close()

    def send(self, data: bytes, do_close: bool = True) -> int:
        """Send some of it; how many bytes went."""
        if self.socket is None:
            return 0
        try:
            with self._turn:
                return int(self.socket.send(data))
        except (ssl.SSLWantWriteError, ssl.SSLWantReadError):
            return 0
        except OSError:
            self.will_close = True
            if do_close:
                self.handle_close()
            return 0


class Server(TcpWSGIServer):  # type: ignore[misc]
    """What listens at one address; several share their threads and their room."""

    def __init__(
        self, application: Any, room: dict[int, Any], threads: Any, adj: Any, listening: socket,
        knows: Knows, secure: ssl.SSLContext | None,
    ) -> None:
        self.knows, self.secure = knows, secure
        self.channel_class = Channel if secure is None else SecureChannel
        about = (listening.family, listening.type, listening.proto, listening.getsockname())
        super().__init__(application, room, True, listening, dispatcher=threads, adj=adj,
                         sockinfo=about, bind_socket=False)

    def handle_accept(self) -> None:
        """Take a new connection, and make room for it where there are too many."""
        before = set(self._map)
        try:
            super().handle_accept()
        except OSError as error:  # gone again before TLS could begin: no reason to stop listening
            _log.info("a connection was not taken: %s", error)
        for number in set(self._map) - before:
            self._make_room(self._map[number])

    def maintenance(self, now: float) -> None:
        """Close what is overdue, and what has been idle for long."""
        super().maintenance(now)
        passed = time.monotonic()
        for channel in list(self.active_channels.values()):
            if channel.overdue(passed):
                channel.will_close = True

    def _make_room(self, new: Channel) -> None:
        every = [channel for channel in self._map.values() if isinstance(channel, Channel)]
        alike = [channel for channel in every if channel.client == new.client]
        if len(alike) > A_CLIENT:
            _gives_way(alike, new).handle_close()
        elif len(every) > ALL:
            _gives_way(every, new).handle_close()


def _gives_way(channels: Sequence[Channel], new: Channel) -> Channel:
    """Which connection is closed for a new one: that itself, where all others are answered."""
    idle = [channel for channel in channels if channel is not new and not channel.busy]
    return min(idle, key=lambda one: (one.known, one.known and one.coming, one.since), default=new)


class Servers(MultiSocketServer):  # type: ignore[misc]
    """Servers in one loop."""

    def run(self) -> None:
        """Answer until interrupted, which the caller is told: it has more to end."""
        self.asyncore.loop(self.adj.asyncore_loop_timeout, self.adj.asyncore_use_poll, self.map)


def servers(
    application: Any, listening: Sequence[tuple[socket, ssl.SSLContext | None]], knows: Knows,
    largest: int,
) -> Servers:
    """A server at one address or several, run by its ``run`` and ended by its ``close``.

    Parameters
    ----------
    application : WSGI application
    listening : sequence of (socket, context or None)
        Bound sockets, each with what TLS needs, or None.
    knows : callable
        Whether a request has the secret.
    largest : int
        Bytes of a request.
    """
    room: dict[int, Any] = {}
    threads = ThreadedTaskDispatcher()
    threads.set_thread_count(THREADS)
    made = []
    for bound, secure in listening:
        adj = Adjustments(
            threads=THREADS, ident="", max_request_body_size=largest, cleanup_interval=1,
            clear_untrusted_proxy_headers=True, connection_limit=2 * ALL,
            url_scheme="http" if secure is None else "https",
        )
        made.append(Server(application, room, threads, adj, bound, knows, secure))
    where = [(one.effective_host, one.effective_port) for one in made]
    return Servers(room, made[0].adj, where, threads, made[0].log_info)
