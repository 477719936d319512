"""Sending stored messages again: what is sent, when, and what came back."""
