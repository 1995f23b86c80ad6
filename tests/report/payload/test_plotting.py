import base64
import gzip
import hashlib

from plotly.offline import get_plotlyjs

from pipeline.report.payload.plotting import csp_hash, plotting_script
from tests.report.payload.unpack import from_printable


def test_the_packed_script_is_plotlys_own_and_its_hash_lets_it_run():
    """Oracle: plotly.offline.get_plotlyjs."""
    script = plotting_script()
    text = gzip.decompress(from_printable(script.packed))
    assert text.decode() == get_plotlyjs()
    assert script.integrity == csp_hash(text)


def test_the_script_is_packed_once_and_small():
    assert plotting_script() is plotting_script()
    assert len(plotting_script().packed) < 1_850_000


def test_a_hash_source_is_what_the_standard_says():
    # Content Security Policy level 3, section 2.3.1: 'sha256-' and the base64 of the digest
    assert csp_hash(b"") == f"'sha256-{base64.b64encode(hashlib.sha256(b'').digest()).decode()}'"


def test_a_page_that_shares_the_library_is_made_whole_by_putting_it_in():
    script = plotting_script()
    page = b"<p>before</p>" + script.element + b"<p>after</p>"
    whole = script.made_whole(page)
    assert b"data-from" not in whole
    assert script.packed in whole
    assert script.made_whole(whole) == whole
