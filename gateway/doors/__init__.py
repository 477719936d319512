"""The ends that other systems point at: bytes in, an answer after the commit."""
