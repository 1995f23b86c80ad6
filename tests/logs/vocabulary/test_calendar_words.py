"""Months and weekdays against the Unicode Common Locale Data Repository (as Babel 2.19 prints its abbreviated names)."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline.logs.vocabulary.calendar_words import WEEKDAYS
from pipeline.logs.vocabulary.stamp_patterns import shape_of

_MONTHS = {
    "en": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    "es": "ene feb mar abr may jun jul ago sept oct nov dic",
    "de": "Jan. Feb. März Apr. Mai Juni Juli Aug. Sept. Okt. Nov. Dez.",
    "fr": "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    "it": "gen feb mar apr mag giu lug ago set ott nov dic",
    "pt": "jan. fev. mar. abr. mai. jun. jul. ago. set. out. nov. dez.",
    "nl": "jan feb mrt apr mei jun jul aug sep okt nov dec",
    "pl": "sty lut mar kwi maj cze lip sie wrz paź lis gru",
    "sv": "jan. feb. mars apr. maj juni juli aug. sep. okt. nov. dec.",
    "da": "jan. feb. mar. apr. maj jun. jul. aug. sep. okt. nov. dec.",
    "nb": "jan. feb. mars apr. mai juni juli aug. sep. okt. nov. des.",
    "cs": "led úno bře dub kvě čvn čvc srp zář říj lis pro",
    "tr": "Oca Şub Mar Nis May Haz Tem Ağu Eyl Eki Kas Ara",
}
_WEEKDAYS = {
    "it": "lun mar mer gio ven sab dom",
    "pt": "seg. ter. qua. qui. sex. sáb. dom.",
    "nl": "ma di wo do vr za zo",
    "pl": "pon. wt. śr. czw. pt. sob. niedz.",
    "sv": "mån tis ons tors fre lör sön",
    "da": "man. tirs. ons. tors. fre. lør. søn.",
    "cs": "po út st čt pá so ne",
    "tr": "Pzt Sal Çar Per Cum Cmt Paz",
}


@pytest.mark.parametrize("language", _MONTHS)
def test_each_month_of_a_language_is_the_one_it_names(language):
    names = _MONTHS[language].split()
    months = [shape_of(f"2 {name.rstrip('.')} 2026 10:05:00").month for name in names]
    assert months == list(range(1, 13))


@pytest.mark.parametrize("language", _WEEKDAYS)
def test_a_day_of_the_week_may_stand_before_the_date(language):
    for name in _WEEKDAYS[language].split():
        assert name.lower().rstrip(".") in WEEKDAYS
        assert shape_of(f"{name} 02.03.2026 10:05").date == "order"


@pytest.mark.parametrize(
    "text",
    [
        "le 02/03/2026 à 10:05:00",
        "2 de março de 2026 10:05:00",
        "lunes, 2 de marzo de 2026 10:05:00",
        "Monday, 02 March 2026 at 10:05:00",
        "lunedì 2 marzo 2026 alle ore 10:05:00",
        "pon. 2 mar 2026 godz. 10:05:00",
    ],
)
def test_words_about_a_date_and_between_it_and_its_time_are_passed_over(text):
    shape = shape_of(text)
    assert shape.date
    assert shape.hour
    assert shape.second


@pytest.mark.parametrize("text", ["le", "on", "mar", "2026-061", "1234-567", "pro 7"])
def test_such_words_and_numbers_alone_are_no_date(text):
    assert shape_of(text) is None


def test_an_ordinal_date_is_the_day_of_the_year_that_the_calendar_has():
    """ISO 8601, 5.2.3; the standard library's own count of days stands beside it."""
    import numpy as np

    from pipeline.logs.clock.stamp_parser import parse
    from pipeline.logs.rows.column_blocks import CellBlock

    days = [date(y, m, d) for y in (2023, 2024) for m, d in ((1, 1), (2, 28), (3, 1), (12, 31))]
    cells = [f"{d:%Y-%j} 10:05:00".encode() for d in (*days, date(2024, 2, 29))]
    ends = np.cumsum([len(c) for c in cells])
    stamps = parse([CellBlock(data=np.frombuffer(b"".join(cells), np.uint8), starts=ends - 17, ends=ends)])
    assert [tuple(p) for p in stamps.parts.T.tolist()] == [
        (d.year, d.month, d.day) for d in (*days, date(2024, 2, 29))
    ]
    (none,) = parse(
        [
            CellBlock(
                data=np.frombuffer(b"2023-366 10:05:00", np.uint8), starts=np.array([0]), ends=np.array([17])
            )
        ]
    ).parts[1:2, 0]
    assert none == 0  # 2023 has no such day
