"""The HTTP service: app, live lines, audit; `entry` lets people in, `answers` answers, `routes` has
one module a resource.
"""
