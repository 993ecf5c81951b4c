"""The SCPI driver."""
