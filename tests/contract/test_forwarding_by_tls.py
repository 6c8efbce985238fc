"""A site's own node reaches its group by TLS: the group that it trusts, and no other."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from schemas.channels import Exchange
from services.forward.checks import check_forward
from services.forward.group_archive import GroupArchive
from services.forward.group_door import GroupDoor
from services.runtime.bus import BusUnavailable, Outgoing
from services.runtime.settings import ForwardSettings, Settings, SettingsError
from tests.certificates import Authority, sha256_of
from tests.intake_support import Intake, make_image, running_intake, send
from tests.servers.ports import LOOPBACK
from tests.servers.tls_front import TlsFront
from tests.site_node import NODE_TOKEN, group_with_node

TOKEN = SecretStr(NODE_TOKEN)


class Pki:
    """The group's authority and a stranger's; certificates of the group's intake and the node."""

    def __init__(self, folder: Path) -> None:
        self.ours = Authority(folder, "authority")
        self.strange = Authority(folder, "strange authority")
        self.server = self.ours.issue("intake", LOOPBACK)
        self.node = self.ours.issue("node")


@pytest.fixture(scope="module")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki"))


@pytest.fixture(scope="module")
def group(pki: Pki, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Intake]:
    """The group's intake; its station is let in by the node's certificate."""
    made = group_with_node()
    made["sites"][0]["devices"][0]["certificate_sha256"] = sha256_of(pki.node[0])
    certificate, key = pki.server
    files: dict[str, Any] = {"tls_certificate": certificate, "tls_key": key}
    folder = tmp_path_factory.mktemp("group")
    with running_intake(
        folder, group=made, tls_port=0, tls_ca=pki.ours.certificate, **files
    ) as running:
        yield running


def test_the_door_is_used_where_the_node_trusts_it_and_its_token_is_known(
    pki: Pki, group: Intake
) -> None:
    front = TlsFront(group.http_port)
    front.show(pki.server)
    ours, strange = pki.ours.certificate, pki.strange.certificate
    with front.running():
        url = f"https://{LOOPBACK}:{front.port}"
        told = [
            ForwardSettings(url=url, token=TOKEN, ca_file=ours),
            ForwardSettings(url=url, token=TOKEN, ca_file=strange),
            ForwardSettings(url=url, token=SecretStr("another-token"), ca_file=ours),
        ]

        # when
        verdicts = [
            one
            for forward in told
            for one in check_forward(Settings(forward=forward), group.runtime.group)
        ]

    # then
    assert [one.good for one in verdicts] == [True, False, False]
    assert "certificate verify failed" in verdicts[1].words
    assert "answers 401" in verdicts[2].words


def test_whoever_is_no_node_has_nothing_to_check(group: Intake) -> None:
    assert not list(check_forward(Settings(), group.runtime.group))


def test_an_image_goes_by_tls_with_the_nodes_certificate_and_not_without(
    pki: Pki, group: Intake, tmp_path: Path
) -> None:
    # given
    (loop,) = (loop for loop in group.service.loops if loop.name == "dicom")
    with running_intake(tmp_path / "node", group=group_with_node()) as node:
        assert send(node.dicom_port, make_image()).Status == 0
        (fact,) = node.outbox()

    def archive(ca: Path, own: tuple[Path, Path] | None) -> GroupArchive:
        told = ForwardSettings(
            url="https://group.invented",
            token=TOKEN,
            dicom_host=LOOPBACK,
            dicom_port=loop.run.__self__.tls_port,  # type: ignore[attr-defined]
            tls_ca=ca,
            tls_certificate=None if own is None else own[0],
            tls_key=None if own is None else own[1],
        )
        settings = node.runtime.settings.model_copy(update={"forward": told})
        return GroupArchive(settings, node.runtime.group, node.runtime.store)

    image = Outgoing(Exchange.FACTS, fact.routing_key, str(fact.id), fact.encode())

    # when
    for authority, own in ((pki.ours, None), (pki.strange, pki.node)):
        with pytest.raises(BusUnavailable):
            archive(authority.certificate, own).publish([image])
    assert group.facts() == []
    archive(pki.ours.certificate, pki.node).publish([image])

    # then
    assert [one.natural_key for one in group.facts()] == [fact.natural_key]


def test_a_door_whose_authority_is_no_file_says_so(tmp_path: Path) -> None:
    told = ForwardSettings(url="https://group.invented", token=TOKEN, ca_file=tmp_path / "none.pem")

    with pytest.raises(SettingsError, match=r"CA_FILE: expected a PEM file at .*none\.pem"):
        GroupDoor(told)
