"""The migrations of the store's tables: they only add, and every database is brought forward by them."""
