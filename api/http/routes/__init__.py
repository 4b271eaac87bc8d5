"""One module a resource; ROUTERS is all of them, in the order of the API page."""

from api.http.routes import (
    access,
    campaigns,
    commands,
    heat,
    helm,
    identification,
    importing,
    proving,
    results,
    rig,
    road,
    runs,
    state,
    weather,
)

ROUTERS = (
    rig.router,
    state.router,
    helm.router,
    commands.router,
    runs.router,
    results.router,
    importing.router,
    campaigns.router,
    heat.router,
    identification.router,
    weather.router,
    road.router,
    proving.router,
    access.router,
)
