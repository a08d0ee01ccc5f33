"""From a drop to a mail: the service tells of its jobs, and nothing about telling stops them."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from stemprep.model.service import NoticeTargets
from stemprep.service.notices import Notices, addresses_of
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from tests.service.receivers import free_port, mail_server, web_hook
from tests.service.studio import Studio, hurry

pytest.importorskip("apprise")
pytest.importorskip("aiosmtpd")
# apprise asks the standard library for imghdr
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")


def run(studio: Studio, addresses: str) -> int:
    """Work off the inbox once, telling these addresses."""
    told, problems = addresses_of(NoticeTargets(url_variables=("X",)), {"X": addresses})
    assert problems == ()
    with state_folder(studio.config.state), Store(studio.config.state) as store:
        service = Service(config=studio.config, store=store, notices=Notices(told), is_once=True)
        return service.run()


@pytest.fixture
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Studio:
    hurry(monkeypatch)
    studio = Studio.built(tmp_path)
    studio.drop("Slow Ferry Home")
    (studio.drop("Lantern Song") / "Kick.wav").write_bytes(b"RIFF")
    return studio


def test_hook_and_mail_hear_of_every_job(studio: Studio) -> None:
    with web_hook() as hook, mail_server() as mailbox:
        for _ in range(2):  # what the end of the first run cut off is told by the next
            assert run(studio, f"{hook.address} {mailbox.address}") == 0
        posted = "\n".join(post["message"] for post in hook.posts)
        mailed = "\n".join(str(mail.get_payload(decode=True) or mail) for mail in mailbox.mails)
    numbers = {job.name: job.job for job in studio.jobs()}
    good, bad = numbers["Slow Ferry Home"], numbers["Lantern Song"]
    for number in (good, bad):
        assert f"Job {number} was received: 3 files" in posted
    assert f"Job {good} was delivered" in posted
    assert f"Job {bad} was not delivered. Verdict: fail" in posted
    assert mailbox.mails
    for title in ("Ferry", "Lantern", "Kick"):
        assert title not in posted
        assert title not in mailed


def test_with_both_down_jobs_go_on_and_are_told_of_later(studio: Studio) -> None:
    down = f"json://127.0.0.1:{free_port()}/x "
    down += f"mailto://127.0.0.1:{free_port()}/?from=a@example.org&to=b@example.org&mode=insecure"
    begun_s = time.monotonic()
    assert run(studio, down) == 0
    assert time.monotonic() - begun_s < 300
    assert studio.states() == {"Slow Ferry Home": "delivered", "Lantern Song": "refused"}
    with web_hook() as hook:
        assert run(studio, hook.address) == 0
        posted = "\n".join(post["message"] for post in hook.posts)
    assert "was delivered" in posted
    assert "was not delivered" in posted


def test_only_what_the_config_names_is_told(studio: Studio) -> None:
    studio.config = replace(studio.config, notices=NoticeTargets(kinds=("refused",)))
    with web_hook() as hook:
        for _ in range(2):
            assert run(studio, hook.address) == 0
        posted = "\n".join(post["message"] for post in hook.posts)
    assert "was not delivered" in posted
    assert "was delivered" not in posted
    assert "was received" not in posted
