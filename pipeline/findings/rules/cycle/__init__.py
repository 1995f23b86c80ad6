"""Lengths of freezes and harvests, how cold they get, what ends them."""
