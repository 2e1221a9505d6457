"""How well the rules find what the simulator planted: fleets, scoring, and the table in DEVELOPERS.md.

    PYTHONPATH=tests python -m evaluation.run

What is a sample: one (rule, subject, local day). What is a fault: a planted fault of a strength that a
technician would call one (`strengths.py`). "No response", a day that a rule said it could not judge, is kept
apart from "missed", a day that it judged and found nothing on: the classes of Yuill & Braun, "Methodology for
evaluating FDD protocols" (IRACC 1307); that a scoring must name both sample and fault: Frank et al., Energy &
Buildings 192 (2019) 84-92.
"""
