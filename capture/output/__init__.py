"""What people read and pipes are given: one wording, one JSON form, tables to print. Pure."""
