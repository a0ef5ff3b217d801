"""A bench that is open to a network, for the tests: the owner's screen, strangers and phones."""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections.abc import Callable, Iterator
from typing import Final

import uvicorn
from httpx2 import Response
from starlette.testclient import TestClient

from bench.benches import replayed, same_answer
from bench.pictured import made_up
from tubewright.bench.app import create_app
from tubewright.bench.lan.gate import Network
from tubewright.bench.lan.listening import config_of
from tubewright.bench.lan.pairing import PHONE_COOKIE
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store

LAN: Final = "192.168.77.5"
"""The address of the pretended machine."""
PORT: Final = 8765
BASE: Final = f"http://{LAN}:{PORT}"
OWN: Final = f"http://127.0.0.1:{PORT}"
KNOWLEDGE: Final = load_knowledge()


class OpenBench:
    """A bench in LAN mode without sockets; who asks is said by the address of a client."""

    def __init__(
        self, store: Store, *, network: Network | None = None, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.store = store
        self.network = network or Network(address=LAN, port=PORT)
        self.app = create_app(
            store,
            KNOWLEDGE,
            assess=same_answer,
            replay=replayed,
            measure=made_up,
            network=self.network,
            clock_s=clock_s,
        )
        self.owner = TestClient(
            self.app, base_url=OWN, client=("127.0.0.1", 50000), raise_server_exceptions=False, follow_redirects=False
        )

    def client(self, address: str = "192.168.77.20", base: str | None = None) -> TestClient:
        """A browser on another machine, with cookies of its own."""
        return TestClient(
            self.app,
            base_url=base or self.network.base,
            client=(address, 40000),
            raise_server_exceptions=False,
            follow_redirects=False,
        )

    def code(self) -> str:
        """Let the big screen show a code, and read it off."""
        sent = {"form_token": token_of(self.owner, "/phones")}
        assert self.owner.post("/phones", data=sent, headers={"origin": OWN}).status_code == 303
        found = re.search(r'class="code">([A-Z2-7 ]+)<', self.owner.get("/phones").text)
        assert found is not None
        return found[1]

    def pair(self, client: TestClient, code: str, name: str = "Wren's phone") -> Response:
        """Send the form that pairs."""
        sent = {"code": code, "name": name, "form_token": token_of(client, "/pair")}
        return client.post("/pair", data=sent, headers={"origin": str(client.base_url).rstrip("/")})

    def phone(self, address: str = "192.168.77.20", name: str = "Wren's phone") -> TestClient:
        """A phone that is paired."""
        client = self.client(address)
        answer = self.pair(client, self.code(), name)
        assert answer.status_code == 303, answer.text
        assert client.cookies.get(PHONE_COOKIE)
        return client


def token_of(client: TestClient, path: str = "/phone") -> str:
    """The form token of a client's session, from a page it may open."""
    page = client.get(path)
    found = re.search(r'name="form_token" value="([0-9a-f]{64})"', page.text)
    assert found is not None, page.text[:400]
    return found[1]


@contextlib.contextmanager
def listening(app: object, host: str = "127.0.0.1", *, config: uvicorn.Config | None = None) -> Iterator[int]:
    """Serve an application as phones are served; gives the port."""
    config = config or config_of(app)
    config.host, config.port = host, 0
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
        assert thread.is_alive()
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(5)
