"""The valve's keeper: a process of its own that holds the fixture's port, and the bench's end of what the two say."""
