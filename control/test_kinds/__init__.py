"""The test kinds: their plans, their phases, and what each wants at every moment.

Nothing is imported here: whoever only reads plans (control.test_kinds.plans) or sends them on does
not load the load loop; what turns a plan into a test is in control.test_kinds.kinds.
"""
