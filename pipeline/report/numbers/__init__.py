"""What pages and charts show, as numbers: taken from the record once, drawn and told elsewhere.

In: timeline, record and judgement. Out: usual ranges, days and hours, thinned levels, which cycles a finding means, and
what a log lacks. Met in this order: `levels`, `flags`, `usual_range`, `days`, `unjudged`.
"""
