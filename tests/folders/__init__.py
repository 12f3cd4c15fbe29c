"""Thirty invented shoot folders, and a judge of what ``horizon-drift new`` makes of them.

    flights   what was flown, what every body on board did, simulated
    footage   the takes drawn once, then cut, copied and stamped as cameras do
    dress     one log written in one of the many habits of loggers, and what it truly says
    stories   the thirty folders; habits: what each of them shows, read off; build: made into files
    judge     the written sheet against the truth, by what it means (marks, misread, stand_in)
    answer    the right sheet, for testing judge and folders

The writer shares no table of names, units or placeholders with the guesser, and turns angles by formulae of
its own, so that a mistake of the tool is not repeated here. ``python -m tests.folders`` prints the table.
"""
