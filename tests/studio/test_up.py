"""A studio's server from one file: `up.sh` as typed, and compose.yaml's services one after the other.

PostgreSQL, Mosquitto and the page are real; the machine is an overlay on this one, with its own network.
"""

import json
import re
import shlex
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

from many_records import kept
from own_machine import CLONE, ROOT, OwnMachine, needs_own_machine
from patience import wait_until

UP = CLONE / "config/studio/up.sh"
NAME, PASSWORD, WORKSHOP = "studio.local", "lens-and-lamp", "harbour-models"
SMALLEST = (ROOT / "config/smallest.yaml").read_text(encoding="utf-8")
COMPOSE = yaml.safe_load((ROOT / "config/studio/compose.yaml").read_text(encoding="utf-8"))
SERVICES = COMPOSE["services"]
# A certificate by the house's authority with a week left.
AGED = """
from datetime import UTC, datetime, timedelta
from pathlib import Path
from potvigil.page.certificate import CERTIFICATE_DAYS, Pair, known, new_certificate
etc = Path("/etc/potvigil")
authority = Pair((etc / "page-authority.pem").read_bytes(), (etc / "page-authority.key").read_bytes())
names = known((etc / "page.pem").read_bytes()).names
made = new_certificate(authority, names, datetime.now(UTC) - timedelta(days=CERTIFICATE_DAYS - 8))
(etc / "page.pem").write_bytes(made.certificate)
(etc / "page.key").write_bytes(made.key)
"""
# When the certificate of one of the three services expires.
SPOKEN = {
    "page": "openssl s_client -connect 127.0.0.1:8642",
    "broker": "openssl s_client -connect 127.0.0.1:8883",
    "database": "openssl s_client -starttls postgres -connect 127.0.0.1:5432",
}
# What a browser does, without one: it logs in over TLS and asks what is known now.
LOOK = """
import json, re, ssl, sys, urllib.parse, urllib.request
origin, password, authority = sys.argv[1:]
jar = urllib.request.HTTPCookieProcessor()
tls = urllib.request.HTTPSHandler(context=ssl.create_default_context(cafile=authority))
web = urllib.request.build_opener(jar, tls)
page = web.open(f"{origin}/login").read().decode()
token = re.search(r'name="csrf" value="([0-9a-f]+)"', page)[1]
form = urllib.parse.urlencode({"csrf": token, "password": password}).encode()
asked = urllib.request.Request(f"{origin}/login", form, {"Origin": origin, "Sec-Fetch-Site": "same-origin"})
web.open(asked).read()
print(web.open(f"{origin}/api/now").read().decode())
"""


# As `docker compose kill --signal HUP broker`.
HANG_UP = "for p in /proc/[0-9]*; do [ $(cat $p/comm) != mosquitto ] || kill -HUP ${p#/proc/}; done"
GUIDE = (ROOT / "config/studio.md").read_text(encoding="utf-8")


def of_the_guide(words: str) -> list[list[str]]:
    """Return the guide's commands that begin with these words, split into words."""
    lines = re.findall(r"^ {4}(.*)$", GUIDE, re.MULTILINE)
    return [shlex.split(line.removeprefix("sudo ")) for line in lines if line.startswith(words)]


def in_the_clone(words: list[str]) -> list[str]:
    return [str(CLONE / word) if word.startswith("config/") else word for word in words]


def answered(check: Callable[[], str]) -> str:
    """Return what `check` prints once everything answers in time: a busy machine may need several tries."""
    said = [check()]
    wait_until(lambda: "no answer in" not in said[-1] or said.append(check()), lambda: said[-1])
    return said[-1]


def pots(machine: OwnMachine) -> dict[str, dict]:
    """Return the pots on the page of all, as a browser that trusts the house's authority gets them."""
    words = (sys.executable, "-c", LOOK, f"https://{NAME}:8642", PASSWORD, "/etc/potvigil/page-authority.pem")
    return {pot["id"]: pot for pot in json.loads(machine.run(*words))["pots"]}


class Pi:
    """A Pi of the studio, with settings made from the lines that `up.sh` printed for it."""

    def __init__(self, machine: OwnMachine, name: str, workshop: str, said: str, record: Path) -> None:
        self._machine, self.name, self.workshop = machine, name, workshop
        lines = said.splitlines()
        (at,) = (i for i, line in enumerate(lines) if re.fullmatch(r"[\w-]{32}", line))
        self.password = lines[at]
        own = SMALLEST.replace("workshop: harbour-models", f"workshop: {workshop}")
        text = own + "\n".join(line for line in lines if line.startswith(("studio: ", "mqtt: ")))
        folder = Path(f"/srv/{name}")
        self.config = folder / "workshop.yaml"
        machine.write(self.config, f"{text}\nrecord: {{file: record.db}}\n")
        machine.write(folder / "studio-password", f"{self.password}\n", 0o600)
        machine.run("cp", record, folder / "record.db")
        machine.run("cp", "/etc/potvigil/page-authority.pem", folder / "studio-ca.pem")

    def potvigil(self, *words: object) -> str:
        return self._machine.run("/opt/potvigil/bin/potvigil", *words, "--config", self.config)

    def mosquitto(self, tool: str, *words: str):
        of_the_broker = ["-h", NAME, "-p", "8883", "-u", self.name, "-P", self.password]
        of_the_broker += ["--cafile", str(self.config.with_name("studio-ca.pem"))]
        return self._machine.tried(tool, *of_the_broker, *words)


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """Return workshop and record of each Pi."""
    folder = tmp_path_factory.mktemp("records")
    return {
        "lantern-pi": (WORKSHOP, kept(folder / "a.db", WORKSHOP, "lantern", leaks=True)),
        "castle-pi": ("castle-models", kept(folder / "b.db", "castle-models", "tower")),
    }


@pytest.fixture(scope="module")
def server():
    """A machine on which `up.sh server` was run."""
    with OwnMachine() as machine:
        machine.run("sh", "-c", f"echo 127.0.0.1 {NAME} >>/etc/hosts")
        (typed,) = of_the_guide("sudo bash config/studio/up.sh server")
        machine.run(*in_the_clone(typed), typed=f"{PASSWORD}\n")
        machine.wait_for("/opt/potvigil/bin/potvigil", "status")  # fails until the page answers
        yield machine


@pytest.fixture(scope="module")
def pis(server, records):
    """Two Pis, admitted as the guide says; each has shipped its record."""
    let_in = {}
    for typed in of_the_guide("sudo bash config/studio/up.sh pi"):
        name, workshop = typed[3:5]
        assert records[name][0] == workshop
        let_in[name] = Pi(server, name, workshop, server.run(*in_the_clone(typed)), records[name][1])
    assert let_in.keys() == records.keys()
    for pi in let_in.values():
        assert pi.potvigil("ship", "--once").startswith("shipped ")
    return let_in


@needs_own_machine
def test_from_nothing_to_one_page_with_two_pis(server, pis):
    assert set(pots(server)) == {"harbour-models/lantern", "castle-models/tower"}
    checked = answered(lambda: server.run("/opt/potvigil/bin/potvigil", "check"))
    assert "FAULT" not in checked and "lets front-desk@" in checked and "do nothing else" in checked
    assert "127.0.0.1:8883: signed in as front-desk, encrypted" in checked
    for pi in pis.values():
        assert f"{pi.workshop}, {pi.name}: the newest row came " in checked
    assert "the studio's page answers at" in server.run("/opt/potvigil/bin/potvigil", "status")


@needs_own_machine
def test_check_finds_each_pi_in_database_and_broker(pis):
    for pi in pis.values():
        said = answered(lambda pi=pi: pi.potvigil("check"))
        assert f"lets {pi.name}@{NAME}:5432/potvigil in" in said
        assert f"signed in as {pi.name}, encrypted" in said


@needs_own_machine
def test_the_broker_rejects_anonymous_users_and_the_page_cannot_publish_for_a_pot(server, pis):
    pi = pis["lantern-pi"]
    topic = f"homie/5/{WORKSHOP}-lantern/pressure/gauge"
    assert pi.mosquitto("mosquitto_pub", "-t", topic, "-m", "55", "-r").returncode == 0
    of_another = "homie/5/castle-models-tower/pressure/gauge"
    pi.mosquitto("mosquitto_pub", "-t", of_another, "-m", "55", "-r", "-q", "1")
    assert pis["castle-pi"].mosquitto("mosquitto_sub", "-t", of_another, "-C", "1", "-W", "2").stdout == ""
    desk = Pi.__new__(Pi)
    desk._machine, desk.name, desk.config = server, "front-desk", pi.config
    desk.password = server.read("/etc/potvigil/front-desk-password").strip()
    desk.mosquitto("mosquitto_pub", "-t", topic, "-m", "0", "-r", "-q", "1")
    assert desk.mosquitto("mosquitto_sub", "-t", topic, "-C", "1", "-W", "9").stdout == "55\n"
    desk.password = "guess"
    assert "not authori" in desk.mosquitto("mosquitto_sub", "-t", topic, "-C", "1").stderr.lower()
    plain = server.tried("mosquitto_sub", "-h", NAME, "-p", "8883", "-t", "#", "-C", "1", "-W", "2")
    assert plain.returncode != 0 and plain.stdout == ""


@needs_own_machine
def test_secrets_are_readable_only_by_their_user(server, pis):
    listed = server.run("find", "/etc/potvigil", "-type", "f", "-printf", "%U %m %P\n")
    modes = {name: mode for _, mode, name in (line.split() for line in listed.splitlines())}
    secret = [name for name in modes if "password" in name or name.endswith(("key", "rights"))]
    assert len(secret) == 8 and {modes[name] for name in secret} == {"600"}
    everything = server.run("sh", "-c", 'grep -rlF -- "$1" /etc || true', "sh", pis["lantern-pi"].password)
    assert everything == ""  # only the Pi's own
    refused = server.tried(
        "psql", "-tAc", "SELECT 1", f"host={NAME} sslmode=disable user=front-desk dbname=potvigil"
    )
    assert refused.returncode != 0


@needs_own_machine
def test_running_it_again_changes_nothing_in_use(server, pis):
    def kept_files() -> dict[str, str]:
        named = server.run("find", "/etc/potvigil", "/etc/postgresql", "/etc/mosquitto", "-type", "f")
        texts = {name: server.read(name) for name in named.splitlines()}
        salted = texts.pop("/etc/potvigil/broker/passwords")
        rights = texts.pop("/etc/potvigil/broker/rights")
        names = sorted(line.partition(":")[0] for line in salted.splitlines())
        return texts | {"names": " ".join(names), "rights": "\n".join(sorted(rights.splitlines()))}

    before = kept_files()
    assert before["names"] == "castle-pi front-desk lantern-pi"
    server.run("bash", UP, "server")
    assert kept_files() == before
    server.wait_for("/opt/potvigil/bin/potvigil", "status")
    assert pis["lantern-pi"].potvigil("ship", "--once").startswith("shipped ")
    assert set(pots(server)) == {"harbour-models/lantern", "castle-models/tower"}


def ends(machine: OwnMachine) -> dict[str, str]:
    """Return when the certificates of page, broker and database expire."""
    read = "</dev/null 2>/dev/null | openssl x509 -noout -enddate"
    return {who: machine.run("sh", "-c", f"{ask} {read}").strip() for who, ask in SPOKEN.items()}


@needs_own_machine
def test_the_timer_renews_a_due_certificate_for_all_three_services(server, pis):
    unit = (ROOT / "systemd/potvigil-certificate.service").read_text(encoding="utf-8")
    (command,) = re.findall(r"^ExecStart=(.*)$", unit, re.MULTILINE)
    (umask,) = re.findall(r"^UMask=(.*)$", unit, re.MULTILINE)
    as_it_does = ("sh", "-c", f"umask {umask}; exec {command}")
    before = ends(server)
    server.run(sys.executable, "-c", AGED, PYTHONPATH=str(ROOT / "daemon"))
    assert "renewed, valid until" in server.run(*as_it_does)
    server.wait_for("/opt/potvigil/bin/potvigil", "status")
    after = ends(server)
    assert len(set(after.values())) == 1 and after != before
    assert set(pots(server)) == {"harbour-models/lantern", "castle-models/tower"}
    page = server.read("/run/stand-in/potvigil-studio.service")
    assert "nothing was renewed" in server.run(*as_it_does)
    assert ends(server) == after and server.read("/run/stand-in/potvigil-studio.service") == page


@needs_own_machine
def test_a_mistyped_command_is_one_line_and_changes_nothing():
    with OwnMachine() as machine:
        for words in ((), ("serve",), ("server",), ("pi", "lantern-pi")):
            done = machine.tried("bash", UP, *words)
            assert done.returncode == 2 and done.stderr.startswith("up.sh: ")
            assert done.stderr.count("\n") == 1
        assert machine.tried("test", "-e", "/etc/potvigil/studio.yaml").returncode == 1


# --- containers: without Docker, so each service is run as compose.yaml says, in its order


def started(machine: OwnMachine, name: str, *more: str, typed: str = "") -> str | None:
    """Run a service of compose.yaml as its container would, with its user and rights; a step to the end."""
    service = SERVICES[name]
    may = ",".join(["-all", *(f"+{each.lower()}" for each in service.get("cap_add", ()))])
    words = ["setpriv", "--bounding-set", may, "--no-new-privs", *service["entrypoint"], *more]
    environment = service.get("environment", {})
    if service["restart"] == "no":
        return machine.run(*words, typed=typed, user=service.get("user"), **environment)
    log = Path(machine.log_folder, f"{name}.log")
    machine.begin(*words, user=service["user"], log=log, **environment)
    kind, *test = service["healthcheck"]["test"]
    assert kind == "CMD"
    machine.wait_for(*test)
    return None


@needs_own_machine
def test_the_services_of_compose_give_the_same_page(tmp_path, records):
    with OwnMachine() as machine:
        machine.log_folder = tmp_path
        machine.run("sh", "-c", f"echo 127.0.0.1 {NAME} >>/etc/hosts")
        machine.run("rm", "-rf", "/run/systemd", "/usr/local/sbin/systemctl")
        machine.run("rm", "-rf", "/run/postgresql", "/etc/mosquitto/conf.d")
        # what the image holds
        machine.run("useradd", "--system", "--user-group", "potvigil-studio")
        machine.run("mkdir", "-p", "/opt/potvigil/bin", "/opt/potvigil/share/potvigil")
        machine.run("cp", "-r", CLONE / "config", "/opt/potvigil/share/potvigil")
        machine.run("cp", CLONE / ".venv/bin/potvigil", "/opt/potvigil/bin/potvigil")
        machine.run("rm", "-rf", CLONE)
        machine.run("sh", "-c", prepared_by_the_dockerfile())
        compose = of_the_guide("docker compose -f config/studio/compose.yaml")
        assert [words[4] for words in compose] == ["run", "up", "run", "kill"]
        started(machine, *compose[0][6:], typed=f"{PASSWORD}\n")
        for name in in_order():
            started(machine, name)
        pi = None
        for (each, (workshop, record)), pot in zip(records.items(), ("lantern", "tower"), strict=True):
            assert compose[2][6] == "pi"
            said = started(machine, "pi", each, workshop, pot)
            pi = Pi(machine, each, workshop, said, record)
            assert pi.potvigil("ship", "--once").startswith("shipped ")
        assert set(pots(machine)) == {"harbour-models/lantern", "castle-models/tower"}
        machine.run("sh", "-c", HANG_UP)
        topic = f"homie/5/{pi.workshop}-tower/x"
        assert pi.mosquitto("mosquitto_pub", "-t", topic, "-m", "1", "-r", "-q", "1").returncode == 0
        assert pi.mosquitto("mosquitto_sub", "-t", topic, "-C", "1", "-W", "9").stdout == "1\n"


def in_order() -> list[str]:
    """Return the services that `up` starts, each after those it depends on."""
    order: list[str] = []
    while left := [name for name in SERVICES if name not in order and "profiles" not in SERVICES[name]]:
        order.append(next(name for name in left if set(SERVICES[name].get("depends_on", ())) <= set(order)))
    return order


def prepared_by_the_dockerfile() -> str:
    text = (ROOT / "config/studio/Dockerfile").read_text(encoding="utf-8").replace("\\\n", " ")
    (line,) = re.findall(r"^RUN (install -d .*)$", text, re.MULTILINE)
    return line
