"""The commands, a file a group: each parses its words, calls the part that does the work, and speaks one clear line.

`capture.cli` lists them. `capture.commands.words` is what they share.
"""
