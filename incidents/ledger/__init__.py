"""The ledger: append, read, prove. The only writer of events; it knows no load and no alarm."""
