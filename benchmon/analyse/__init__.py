"""Analysis of oscilloscope captures: the command `benchmon analyse`.

`analyse` is the entry point. It uses `benchmon.captures` (reading the file), `columns` (what each column is),
`benchmon.signals` (measures), `expected` and `diagnosis` (comparison with the prediction of a bench file), and `output`
(JSON and text).
"""

from benchmon.analyse.analysis import Analysis, AnalysisRequest, analyse
from benchmon.analyse.output import analysis_as_dict, analysis_as_text

__all__ = ["Analysis", "AnalysisRequest", "analyse", "analysis_as_dict", "analysis_as_text"]
