"""The HTTP service: app, access, live lines, problems; `routes` has one module a resource."""
