"""What a record of readings shows, by calculation alone: no Django, no clock, no department."""
