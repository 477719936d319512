"""Where each kind of source puts things: a message and a mapping file give a record with its origins."""
