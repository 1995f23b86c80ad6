"""All that a unit's way through the rooms needs, loaded: importing this module is the loading.

Rooms import late, so that a small command starts fast. A worker does it at once; where workers are forked from one
loaded process, they share what is here.
"""

import pandas  # noqa: F401
import ruptures  # noqa: F401

import pipeline.cycles.find
import pipeline.findings.engine
import pipeline.flow
import pipeline.logs.assembly
import pipeline.logs.read
import pipeline.report.page.page
import pipeline.report.writing
import pipeline.unit  # noqa: F401
from pipeline.report.payload.plotting import plotting_script

plotting_script()  # packed once and kept
