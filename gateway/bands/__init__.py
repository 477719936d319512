"""What a band identifier is, how it is read off a strap, and which bands were issued."""
