"""How a starter is reached: framing, encryption, users - and that no secret has a place in the file."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.errors import InputError
from gateway.registers.model import Protocol
from gateway.site import Framing, LinkAddress, OpcuaSecurity, SecurityPolicy, TlsFiles, load_site

MAPS = Path(__file__).parents[2] / "config" / "maps"
MOTOR = "motor: {rated_power: 45 kW, rated_voltage: 400 V, full_load_current: 82 A}"


def address_of(tmp_path: Path, line: str) -> LinkAddress:
    name = "softline-ua" if line.startswith("opcua") else "feeder-block"
    path = tmp_path / "site.yaml"
    path.write_text(f"site: S\ntime_zone: UTC\nstarters:\n  a: {{map: {MAPS / name}.yaml, {line}, {MOTOR}}}\n", encoding="utf-8")
    return load_site(path).starters[0].address


def mistakes(tmp_path: Path, line: str) -> list[tuple[str | None, str]]:
    with pytest.raises(InputError) as caught:
        address_of(tmp_path, line)
    return [(problem.field, str(problem)) for problem in caught.value.problems]


def test_modbus_is_plain_tcp_unless_it_says_otherwise(tmp_path: Path) -> None:
    assert address_of(tmp_path, "modbus: {host: h}") == LinkAddress(Protocol.MODBUS, "h", 502)
    rtu = address_of(tmp_path, "modbus: {host: h, framing: rtu}")
    assert (rtu.framing, rtu.port) == (Framing.RTU, 502)


def test_an_encrypted_connection_has_its_own_port_and_files_beside_the_site_file(tmp_path: Path) -> None:
    line = "modbus: {host: h, tls: {trust: certificates/ca.pem, certificate: gw.pem, key: gw.key, name: starter-7}}"
    assert address_of(tmp_path, line) == LinkAddress(
        Protocol.MODBUS,
        "h",
        802,
        tls=TlsFiles(
            trust=tmp_path / "certificates/ca.pem", certificate=tmp_path / "gw.pem", key=tmp_path / "gw.key", name="starter-7"
        ),
    )
    assert address_of(tmp_path, "modbus: {host: h, port: 8020, tls: {trust: ca.pem}}").port == 8020


def test_opcua_is_signed_and_encrypted_unless_it_says_otherwise(tmp_path: Path) -> None:
    plain = address_of(tmp_path, 'opcua: {endpoint: "opc.tcp://h:4840"}')
    assert plain.security == OpcuaSecurity(folder=tmp_path / "certificates")
    assert plain.security is not None
    assert plain.security.policy is SecurityPolicy.BASIC256SHA256
    assert plain.security.certificate == tmp_path / "certificates/own/certificate.pem"
    assert address_of(tmp_path, 'opcua: {endpoint: "opc.tcp://h", security: none}').security is None


def test_a_user_and_another_folder_and_policy(tmp_path: Path) -> None:
    line = (
        'opcua: {endpoint: "opc.tcp://h", security: sign and encrypt, policy: Aes256_Sha256_RsaPss, certificates: /etc/keys, user: reader, '
        "password_file: secrets/h, server_uri: urn:h}"
    )
    security = address_of(tmp_path, line).security
    assert security == OpcuaSecurity(
        policy=SecurityPolicy.AES256_SHA256_RSAPSS,
        folder=Path("/etc/keys"),
        user="reader",
        password_file=tmp_path / "secrets/h",
        server_uri="urn:h",
    )


@pytest.mark.parametrize(
    ("line", "field", "words"),
    [
        ("modbus: {host: h, framing: ascii}", "modbus.framing", "not known here"),
        ("modbus: {host: h, framing: rtu, tls: {trust: ca.pem}}", "modbus.framing", "always tcp"),
        ("modbus: {host: h, tls: {}}", "modbus.tls.trust", "`trust` is missing"),
        ("modbus: {host: h, tls: {trust: ca.pem, key: gw.key}}", "modbus.tls.key", "needs `certificate` beside it"),
        ("modbus: {host: h, tls: {trust: ca.pem, certificate: gw.pem}}", "modbus.tls.certificate", "needs `key` beside it"),
        ("modbus: {host: h, tls: {trust: ca.pem, password: secret}}", "modbus.tls.password", "not known here"),
        ('opcua: {endpoint: "opc.tcp://h", security: sign}', "opcua.security", "not known here"),
        ('opcua: {endpoint: "opc.tcp://h", policy: Basic256}', "opcua.policy", "not known here"),
        ('opcua: {endpoint: "opc.tcp://h", security: none, user: reader}', "opcua.user", "belongs to a protected connection"),
        ('opcua: {endpoint: "opc.tcp://h", user: reader}', "opcua.user", "never here"),
        ('opcua: {endpoint: "opc.tcp://h", user: reader, password_file: a, password_variable: B}', "opcua.user", "never here"),
        ('opcua: {endpoint: "opc.tcp://h", user: reader, password: secret}', "opcua.password", "not known here"),
        ('opcua: {endpoint: "opc.tcp://h", password_variable: B}', "opcua.password_variable", "needs `user`"),
        ('opcua: {endpoint: "opc.tcp://h", user_certificate: a.pem}', "opcua.user_certificate", "come together"),
        (
            'opcua: {endpoint: "opc.tcp://h", user: r, password_file: p, user_certificate: a.pem, user_key: a.key}',
            "opcua.user_certificate",
            "keep one",
        ),
    ],
)
def test_mistakes_are_told_where_they_stand(tmp_path: Path, line: str, field: str, words: str) -> None:
    found = mistakes(tmp_path, line)
    assert any(each_field == f"starters.a.{field}" and words in text for each_field, text in found), found


def test_one_address_in_two_ways_is_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    starters = "\n".join(
        f"  {name}: {{map: {MAPS / 'feeder-block'}.yaml, modbus: {{host: h, unit: {unit}{more}}}, {MOTOR}}}"
        for name, unit, more in (("a", 1, ""), ("b", 2, ", framing: rtu"), ("c", 3, ""))
    )
    path.write_text(f"site: S\ntime_zone: UTC\nstarters:\n{starters}\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_site(path)
    (problem,) = caught.value.problems
    assert problem.field == "starters.b.modbus"
    assert "a is reached at the same address in another way" in problem.message
