"""The supervisor's board: what every bench is doing and what needs a person, in a terminal and as a web page."""
