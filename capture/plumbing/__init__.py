"""General helpers that know nothing of packs: files whole or not there, checked files, harmless text, sd_notify."""
