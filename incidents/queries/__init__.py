"""The read side: plain values for operations, pages and the API."""
