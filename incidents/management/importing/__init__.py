"""What `manage.py import-history` is made of: a mapping, a reader of CSV files, columns, and a plan."""
