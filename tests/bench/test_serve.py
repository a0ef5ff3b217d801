"""Starting the bench: this machine only, a port in use is said plainly, the demo shop stands apart."""

from __future__ import annotations

import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from tubewright.bench.serve import run
from tubewright.errors import InputError


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.4", "example.org", ""])  # noqa: S104 - must be refused
def test_it_never_listens_to_other_machines(tmp_path: Path, host: str) -> None:
    with pytest.raises(InputError, match="this machine only"):
        run(tmp_path / "shop.sqlite3", host=host, port=0, open_browser=False)
    assert not (tmp_path / "shop.sqlite3").exists()


def test_a_port_in_use_is_said_with_the_way_out(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError) as caught:
            run(tmp_path / "shop.sqlite3", port=port, open_browser=False)
    assert f"port {port} is in use" in str(caught.value)
    assert "--port" in str(caught.value)


def test_it_prints_its_address_and_serves_the_demo_shop_beside_the_real_one(tmp_path: Path) -> None:
    code = f"""
from pathlib import Path
from tubewright.bench.serve import run
run(Path({str(tmp_path / "shop.sqlite3")!r}), port=0, open_browser=False, demo=True)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as bench:
        try:
            assert bench.stdout is not None
            line = bench.stdout.readline()
            assert "demo shop" in line
            address = line.rpartition(" ")[2].strip()
            assert bench.stdout.readline() == f"Its records: {tmp_path / 'demo-shop.sqlite3'}\n"
            with urllib.request.urlopen(address, timeout=20) as answer:  # noqa: S310 - our own address
                text = answer.read().decode()
            assert "On the bench" in text
            assert "/jobs/" in text
            assert "No verdict yet" not in text
        finally:
            bench.terminate()
            bench.wait(10)
    assert not (tmp_path / "shop.sqlite3").exists()
    assert (tmp_path / "demo-shop.sqlite3").exists()
