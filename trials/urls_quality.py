"""Addresses of the lab office for what stands behind a reading."""

from django.urls import path

from trials.views import consumables, controls, films, instruments, methods, traces

urlpatterns = [
    path("instruments/", instruments.index, name="lab-instruments"),
    path("instruments/add/", instruments.add, name="lab-instrument-add"),
    path("instruments/marks/<int:pk>/", instruments.settle_mark, name="lab-mark"),
    path("instruments/<slug:code>/", instruments.instrument, name="lab-instrument"),
    path("instruments/<slug:code>/calibrate/", instruments.calibrate, name="lab-calibrate"),
    path("instruments/<slug:code>/check/", instruments.check, name="lab-check"),
    path("instruments/<slug:code>/wrong/", instruments.wrong, name="lab-wrong"),
    path("instruments/<slug:code>/runs/", instruments.use_for_all, name="lab-instrument-runs"),
    path(
        "instruments/<slug:code>/set-aside/",
        instruments.change_state,
        {"deed": "set-aside"},
        name="lab-set-aside",
    ),
    path(
        "instruments/<slug:code>/put-back/",
        instruments.change_state,
        {"deed": "put-back"},
        name="lab-put-back",
    ),
    path(
        "instruments/<slug:code>/retire/",
        instruments.change_state,
        {"deed": "retire"},
        name="lab-retire-instrument",
    ),
    path("room/", instruments.room, name="lab-room"),
    path("room/add/", instruments.add_room, name="lab-room-add"),
    path("room/conditioning/", instruments.add_stay, name="lab-stay-add"),
    path("consumables/", consumables.index, name="lab-consumables"),
    path("consumables/add/", consumables.add, name="lab-lot-add"),
    path("consumables/<int:pk>/", consumables.lot, name="lab-lot"),
    path("consumables/pieces/<int:pk>/discard/", consumables.discard, name="lab-discard"),
    path("controls/", controls.index, name="lab-controls"),
    path("controls/<slug:key>/<int:number>/add/", controls.add_run, name="lab-control-add"),
    path(
        "controls/<slug:key>/<int:number>/materials/add/",
        controls.add_material,
        name="lab-material-add",
    ),
    path("traces/", traces.index, name="lab-traces"),
    path("traces/incoming/<int:pk>/", traces.incoming, name="lab-trace-incoming"),
    path("traces/progress/<int:pk>/state.json", traces.state, name="lab-trace-state"),
    path("traces/<int:pk>/", traces.trace, name="lab-trace"),
    path("traces/<int:pk>/keep/", traces.keep, name="lab-trace-keep"),
    path("runs/<int:run_id>/film/", films.time, name="lab-film-time"),
    path("runs/<int:run_id>/traces/add/", traces.add, name="lab-trace-add"),
    path("methods/<slug:key>/", methods.history, name="lab-method-history"),
    path("methods/<slug:key>/draft/", methods.new_draft, name="lab-method-draft"),
    path("methods/<slug:key>/limits/add/", methods.add_limit, name="lab-limit-add"),
    path("methods/<slug:key>/<int:number>/edit/", methods.edit, name="lab-method-edit"),
    path(
        "methods/<slug:key>/<int:number>/put-in-force/", methods.put_in_force, name="lab-in-force"
    ),
    path("methods/<slug:key>/<int:number>/retire/", methods.retire, name="lab-method-retire"),
    path("methods/<slug:key>/<int:number>/sheet/", methods.sheet, name="lab-method-sheet"),
    path(
        "methods/<slug:key>/<int:old>/<int:new>/changes/",
        methods.changes,
        name="lab-method-changes",
    ),
    path("methods/<slug:key>/<int:number>/budget/new/", methods.new_budget, name="lab-budget-new"),
]
