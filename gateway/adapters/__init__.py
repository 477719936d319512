"""The standards read and written: bytes and values, no input or output, no clock, no chance."""
