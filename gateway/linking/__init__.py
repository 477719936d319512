"""Which records belong together, and why."""
