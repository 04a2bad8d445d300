"""A broker as the lab's page has it, with TLS and access list: a bench writes its own rows and no others."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.support import ROOT
from tests.support.store.lab_store import weigh
from weighloop.daemon.lab.archive import Archive
from weighloop.daemon.lab.engines import Engines, missing
from weighloop.daemon.lab.trial import arrived, lab_process
from weighloop.daemon.store.store import Store

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        bool(missing()) or not (shutil.which("openssl") and shutil.which("mosquitto_passwd")),
        reason="needs mosquitto, postgresql and openssl",
    ),
]
PAGE = (ROOT / "daemon" / "lab" / "README.md").read_text(encoding="utf-8")


def secrets(folder: Path) -> str:
    """Certificate, passwords and the page's own access list in ``folder``; the broker's lines for them."""
    subject = ["-subj", "/CN=lab", "-addext", "subjectAltName=IP:127.0.0.1", "-days", "2"]
    keys = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    files = ["-keyout", str(folder / "lab.key"), "-out", str(folder / "lab.crt")]
    subprocess.run(["openssl", "req", "-x509", *keys, *subject, *files], check=True, capture_output=True)
    access = re.search(r"# /etc/mosquitto/access\n(.*?)```", PAGE, re.DOTALL)
    assert access is not None
    (folder / "access").write_text("\n".join(line.strip() for line in access[1].splitlines()) + "\n")
    (folder / "passwords").touch()
    for user in ("archive", "bench-1", "bench-2"):
        (folder / f"{user}.password").write_text(f"word of {user}\n")
        words = ["mosquitto_passwd", "-b", str(folder / "passwords"), user, f"word of {user}"]
        subprocess.run(words, check=True, capture_output=True)
    folder.chmod(0o755)
    for path in folder.iterdir():
        path.chmod(0o644)
    return "\n".join(
        [
            f"cafile {folder}/lab.crt", f"certfile {folder}/lab.crt", f"keyfile {folder}/lab.key",
            "allow_anonymous false", f"password_file {folder}/passwords", f"acl_file {folder}/access",
        ]
    )  # fmt: skip


@pytest.mark.timeout(180)
def test_a_bench_writes_its_own_rows_and_no_others() -> None:
    with ExitStack() as stack:
        # Not the test's own folder: the broker runs as a user who may not enter that.
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="weighloop-test-")))
        engines = stack.enter_context(Engines(secrets(folder)))
        broker = ("--broker", f"127.0.0.1:{engines.broker_port}", "--ca", str(folder / "lab.crt"))

        def as_user(user: str) -> tuple[str, ...]:
            return (*broker, "--user", user, "--password-file", str(folder / f"{user}.password"))

        store = folder / "store.sqlite"
        weigh(store)
        archive = stack.enter_context(Archive(engines.dsn))
        archive.migrate()
        stack.enter_context(lab_process("archive", "--database", engines.dsn, *as_user("archive")))
        forward = ("forward", "--store", str(store), "--bench")
        # As somebody else, with a wrong password, and without TLS: none of it arrives.
        stack.enter_context(lab_process(*forward, "bench-3", *as_user("bench-2")))
        stack.enter_context(lab_process(*forward, "bench-2", *broker, "--user", "bench-2"))
        stack.enter_context(lab_process(*forward, "bench-2", *broker[:2]))
        with Store(store, read_only=True) as opened:
            stack.enter_context(lab_process(*forward, "bench-1", *as_user("bench-1")))
            deadline = time.monotonic() + 60
            while not arrived(archive, opened, "bench-1", "events").whole:
                assert time.monotonic() < deadline, "it did not come"
                time.sleep(0.2)
        time.sleep(1.0)
        assert {course.bench for course in archive.courses()} == {"bench-1"}
