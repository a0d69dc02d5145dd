"""The exit codes of the command, apart so that every command may import them."""

COMPLETE = 0
ENDED_OTHERWISE = 1  # the run ended otherwise, or could not start
REFUSED = 2  # a file, a recipe, a rig, an argument
NOT_REACHED = 3  # the rig
INTERRUPTED = 130  # after the safe ending
