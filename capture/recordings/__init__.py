"""Raw stream files, and measuring a stream: live, replayed, or played as a port."""
