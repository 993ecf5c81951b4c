"""The driver of thermal cameras, which write or serve pictures of temperatures."""
