"""What the gateway keeps: one writer, many readers, one file per thing kept."""
