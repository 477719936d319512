"""Which subscriptions want an event, what they may see, and when a failed delivery is tried again."""
