"""The `bandgate` commands: thin, each a file, each with an example in its help."""
