"""The Modbus driver."""
