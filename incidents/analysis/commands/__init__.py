"""One module for each word after `python -m incidents.analysis`: its options, its answer, its words."""
