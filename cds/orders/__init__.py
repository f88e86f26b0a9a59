"""Order arithmetic as one thing (F-45): what an order gives (`reading`), which orders run (`identity`), what they add up to (`totals`).

Pure functions over the frozen chart. What cannot be computed is never dropped: it has a reason in words, and a total that
lacks it says "at least" (HZ-04).
"""
