"""One lift, from signals to findings.

segment (where the lifts are) · phases (the instants of one lift) · errors (how every source of error moves the
curves) · measures (the registry) · tempo, balance (the numbers) · quality · findings · pipeline (the order of it all)
"""
