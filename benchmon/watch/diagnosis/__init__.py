"""Diagnosis: which faults and meter faults explain the readings, and how likely each is.

Causes stand by where they are: `ac_side_faults` (mains, fuse, transformer), `dc_side_faults` (diodes, filter, load),
`meter_faults`; `circuit_hypotheses` has what every channel would read with each, from `meter_values` of the solved
circuit. `explainer` weighs all of them by `likelihood`, and `statement` fits the answer to the rows beside it. Causes
that only the course of a reading shows are in `benchmon.watch.plausibility.steadiness`.
"""
