"""The commands, a file a group: each parses its words, calls the part that does the work, and speaks one clear line.

`main` lists them, `options` is what they share.
"""
