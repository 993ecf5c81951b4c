"""Measures of captured waves: what `benchmon analyse` says.

`analyse` is the door. Behind it: `capture` (the file, with `layout`, `headings` and `times`), `chosen` (which column is
what), `wave` and `power` (measures, with `sampling`, `levels` and `doubts`), `expected` and `differences` (beside what
the bench file leads to expect), `answer` (the object of the contract, and text for people).
"""

from benchmon.analyse.analysis import Analysis, AnalysisRequest, analyse
from benchmon.analyse.output import analysis_as_dict, analysis_as_text

__all__ = ["Analysis", "AnalysisRequest", "analyse", "analysis_as_dict", "analysis_as_text"]
