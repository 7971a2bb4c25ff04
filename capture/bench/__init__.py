"""One bench at work: from the port to the record, the broker and the view."""
