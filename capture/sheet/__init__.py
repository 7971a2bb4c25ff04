"""The build sheet and its steps, validated. Pure but for reading the file."""
