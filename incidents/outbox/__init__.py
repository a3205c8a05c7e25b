"""What is to be told outside: written within the deed that decided it, then sent by workers, at least once."""
