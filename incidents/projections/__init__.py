"""Read models folded from the ledger, written in the transaction of the deed, rebuilt from nothing."""
