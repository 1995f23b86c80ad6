"""What workers of a cluster are given in tests: a module that loads in a moment, as each new worker loads it."""

import os
import signal


def die(number):
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def die_four_times(marks, number):
    deaths = len(list(marks.iterdir()))
    if number == 3 and deaths < 4:
        (marks / str(deaths)).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def die_once(marks, number):
    if number == 1 and not any(marks.iterdir()):
        (marks / "died").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def noted(marks, number):
    (marks / str(number)).touch()
    return 2 * number
