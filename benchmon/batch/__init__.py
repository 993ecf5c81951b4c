"""A batch: units of one design side by side, each quantity's spread against the predicted one, outliers, capability.

`methods` are the published statistical methods and know no session, `units` reads sessions and sets them side by side,
`output` is the table, the JSON object and the page.
"""

from benchmon.batch.output import batch_as_dict, batch_as_text, batch_document
from benchmon.batch.units import Batch, read_batch

__all__ = ["Batch", "batch_as_dict", "batch_as_text", "batch_document", "read_batch"]
