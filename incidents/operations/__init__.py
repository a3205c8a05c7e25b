"""One function per deed. Each locks its facility, folds the state, lets the rules decide, and appends."""
