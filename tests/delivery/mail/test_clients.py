"""Who gets which report."""

from datetime import UTC, datetime

import pytest

from pipeline.delivery.mail.clients import ClientBook, ill_addressed, load_book, recipients
from pipeline.delivery.mail.post import PostOptions, post
from pipeline.errors import UnitConfigError, UsageError
from pipeline.fleet.run import RunOptions, report
from pipeline.unit import Client
from tests.store.scene import write_unit

BOOK = """
[sender]
name = "Ice Service"
email = "desk@tech.example"

[[client]]
name = "Lantern Group"
email = ["office@lantern.example", "chef@lantern.example"]
machines = ["lantern-*", "pier"]
language = "es"
units = "us"
time_zone = "Europe/Madrid"

[[client]]
name = "Insurer"
email = ["log@insurer.example"]
machines = ["*"]
"""


@pytest.fixture
def book(tmp_path):
    (tmp_path / "clients.toml").write_text(BOOK, encoding="utf-8")
    return load_book(tmp_path / "clients.toml")


def test_one_client_gets_one_message_about_all_its_machines(book):
    everyone, nobody = recipients(["lantern-bar", "pier", "lantern-roof"], {}, book)
    assert [(r.name, r.machines) for r in everyone] == [
        ("Lantern Group", ("lantern-bar", "lantern-roof", "pier")),
        ("Insurer", ("lantern-bar", "lantern-roof", "pier")),
    ]
    assert (everyone[0].language, everyone[0].units, everyone[0].time_zone) == ("es", "us", "Europe/Madrid")
    assert nobody == ()


def test_the_address_in_a_unit_s_own_file_comes_first(book):
    own = {"pier": Client(name="Pier", email=("pier@own.example",), units="us")}
    everyone, _ = recipients(["pier"], own, book)
    assert [(r.name, r.addresses, r.units) for r in everyone] == [("Pier", ("pier@own.example",), "us")]


def test_units_with_the_same_client_in_their_own_files_share_a_message():
    own = {name: Client(name="Pier", email=("pier@own.example",)) for name in ("a", "b")}
    everyone, _ = recipients(["a", "b"], own, ClientBook())
    assert [r.machines for r in everyone] == [("a", "b")]


def test_a_slip_in_a_unit_s_own_file_is_named_with_the_unit_and_is_no_other_s():
    own = {
        "bar": Client(email=("bar@lantern.example", "chef(at)lantern.example")),
        "pier": Client(email=("pier@own.example",)),
        "roof": Client(),
    }
    faults = ill_addressed(own)
    assert list(faults) == ["bar"]
    assert str(faults["bar"]).startswith(
        "bar/unit.toml: 'chef(at)lantern.example' is not an e-mail address; "
    )


def test_a_unit_that_nobody_named_is_told():
    assert recipients(["a"], {}, ClientBook()) == ((), ("a",))


def test_without_the_file_the_book_is_empty(tmp_path):
    assert load_book(tmp_path / "clients.toml") == ClientBook()


def test_a_name_with_brackets_is_a_name_and_no_pattern(tmp_path):
    (tmp_path / "c").write_text(
        '[[client]]\nemail = ["a@b.example"]\nmachines = ["bar [2]"]\n', encoding="utf-8"
    )
    everyone, nobody = recipients(["bar [2]", "bar 2"], {}, load_book(tmp_path / "c"))
    assert [r.machines for r in everyone] == [("bar [2]",)]
    assert nobody == ("bar 2",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[client]\n", "not valid TOML"),
        ('[[client]]\nemail = ["a@b.example"]\n', '"client.0.machines"'),
        ('[[client]]\nemail = []\nmachines = ["x"]\n', '"client.0.email"'),
        (
            '[[client]]\nemail = ["a@b.example"]\nmachines = ["x"]\nlangauge = "es"\n',
            '"client.0.langauge" is not a key',
        ),
        (
            '[[client]]\nemail = ["a@b.example"]\nmachines = ["x"]\ntime_zone = "Madrid"\n',
            "not an IANA time zone",
        ),
        ("[sender]\nname = 'x'\n", '"sender.email"'),
        ('password = "x"\n', '"password" is not a key'),
    ],
)
def test_a_mistake_is_named_with_its_key(tmp_path, text, said):
    (tmp_path / "clients.toml").write_text(text, encoding="utf-8")
    with pytest.raises(UnitConfigError) as error:
        load_book(tmp_path / "clients.toml")
    assert said in str(error.value)
    assert str(error.value).startswith("clients.toml: ")


def test_one_unit_s_slip_costs_the_other_clients_nothing(tmp_path):
    for name, address in (("bar", "bar(at)lantern.example"), ("pier", "pier@own.example")):
        write_unit(tmp_path / "logs", name, client=f'[client]\nemail = ["{address}"]\n')
    report(tmp_path / "logs", tmp_path / "reports", RunOptions(jobs=1))
    outcome = post(
        tmp_path / "reports", PostOptions(), now=lambda: datetime.now(UTC), sleep=lambda seconds: None
    )
    assert [(step.state, step.units) for step in outcome.steps] == [("written", ("pier",))]
    assert [str(fault).partition(":")[0] for fault in outcome.faults] == ["bar/unit.toml"]
    assert not outcome.complete


def test_a_unit_that_is_not_there_is_named(reports):
    with pytest.raises(UsageError, match='no report of "baar"'):
        post(reports, PostOptions(units=("baar",)), now=lambda: datetime.now(UTC), sleep=lambda seconds: None)
