"""A test kit for drivers: conformance tests and a fake instrument."""
