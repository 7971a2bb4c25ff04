"""Who looks at a bench's process and has its keys: the socket between them, the hall inside, the faces outside."""
