"""Can the plan run? Time on air, channel load, the law, batteries and panels, fitness for a purpose.

Functions take plain numbers and the records of radios and rules; which device sends what is put together by the workflow.
"""
