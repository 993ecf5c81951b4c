"""Supplies with defects: open or shorted diodes, reversed windings, open or dry capacitors, solved diode by diode."""
