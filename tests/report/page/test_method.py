"""How it was worked out, as the page tells it."""

from pipeline.report.page.method import sentences


def test_rows_that_go_on_from_the_one_above_are_sentences_of_their_own():
    rows = ["stop that no full bin makes …", "… or that came in mid-freeze …", "… and so long", "clip noise"]
    assert sentences(rows) == [
        "Stop that no full bin makes.",
        "Stop that no full bin makes, or that came in mid-freeze.",
        "Stop that no full bin makes, and so long.",
        "Clip noise.",
    ]


def test_a_row_without_words_stays_empty():
    assert sentences([""]) == [""]
