"""plotly's JavaScript, packed once a process: 4.8 MB as it ships, 1.8 MB as gzip in printable text.

The page unpacks it in the browser and runs it as an inline script, which its Content-Security-Policy lets through by
this hash alone.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import importlib.util
import threading
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pipeline.report.payload.printable import printable

SHARED = "plotting.js"
"""The name of the file that the pages of a fleet may share; it lies beside the fleet page."""


@dataclass(frozen=True, kw_only=True)
class PlottingScript:
    """packed: the gzipped script as printable text; integrity: its hash as a CSP source."""

    packed: bytes
    integrity: str

    @property
    def element(self) -> bytes:
        """Where a page that loads the shared file has its place for the script."""
        return b'<script type="text/plain" id="plotting" data-from="../%s"></script>' % SHARED.encode()

    def made_whole(self, page: bytes) -> bytes:
        """`page` with the script in itself, where it would load the shared file; any other page as it is."""
        whole = b'<script type="text/plain" id="plotting">%s</script>' % self.packed
        return page.replace(self.element, whole)


def plotting_script() -> PlottingScript:
    """The script, packed on first use (0.2 s) and kept for the life of the process."""
    with _lock:
        return _pack()


def warm_up() -> None:
    """Start packing in a thread, so that it is done while logs are being read (compression lets go of the GIL)."""
    if not _pack.cache_info().currsize:
        threading.Thread(target=plotting_script, name="pack-plotting-script", daemon=True).start()


def csp_hash(script: bytes) -> str:
    """`script` as a source of a script-src (CSP level 2: base64 of its SHA-256)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(script).digest()).decode()}'"


_lock = threading.Lock()


@cache
def _pack() -> PlottingScript:
    # `plotly.offline.get_plotlyjs` reads this same file, but importing it costs 0.1 s more.
    script = shared_script()
    return PlottingScript(packed=printable(gzip.compress(script, 9, mtime=0)), integrity=csp_hash(script))


def shared_script() -> bytes:
    """The script as it ships, for the file that pages share."""
    file = _package_folder() / "package_data" / "plotly.min.js"
    return file.read_text(encoding="utf-8").replace("\r\n", "\n").encode()


def _package_folder() -> Path:
    spec = importlib.util.find_spec("plotly")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("plotly is not installed")
    return Path(spec.origin).parent
