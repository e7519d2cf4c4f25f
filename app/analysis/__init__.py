"""The record and the engine for analysts: pandas data frames in a notebook or a script. Nothing here writes.

>>> from app.analysis import samples, assessments, interpret, chart, units

- :func:`samples` reads the samples of a database, or of a CSV;
- :func:`assessments` reads what the service stored about them;
- :func:`interpret` has the engine judge a frame of samples, without a database;
- :func:`chart` draws a quantity of a frame as the pages do;
- :data:`units` says the unit of every column that has one, as ``frame.attrs["units"]`` does.

``h2`` is a number and ``h2_below`` says whether it is the limit below which the hydrogen lies. The examples of
app/help/analysis.md are run by the tests.
"""

from app.analysis.charts import chart
from app.analysis.judge import interpret
from app.analysis.record import assessments, samples
from app.services.exporting import frames

__all__ = ["assessments", "chart", "interpret", "samples", "units"]

units = frames.units()
