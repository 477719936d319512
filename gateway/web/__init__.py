"""The pages and the HTTP interfaces."""
