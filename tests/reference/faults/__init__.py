"""Gate logs and their faults, made without the kit: a second opinion on the kit's own bench.

`worlds` turns an apparatus into exact pass times and the exact answer; `faults` spoils logs as hands, gates and
loggers do; `atlas` lets the kit count them and says how often it is right, says something, or is silently wrong;
`coverage` asks how often ± 2 u holds the truth on clean logs. Only `atlas.kit_counts` knows the kit. See the README.md
beside this file.
"""
