"""Addresses of episodes, at the desk and in public. Public addresses stay for ever."""

from django.urls import path

from reports.views import episodes, public_episodes, review

KIND = {"kind": "episode"}

urlpatterns = [
    path("episodes/", public_episodes.index, name="episodes"),
    path("episodes/<slug:slug>/", public_episodes.latest, name="episode"),
    path("episodes/<slug:slug>/<int:number>/", public_episodes.edition, name="episode-edition"),
    path(
        "episodes/<slug:slug>/<int:number>/captions.vtt",
        public_episodes.captions,
        name="episode-captions",
    ),
    path(
        "episodes/<slug:slug>/<int:number>/pictures/<slug:name>.svg",
        public_episodes.picture,
        name="episode-picture",
    ),
    path("desk/episodes/", episodes.index, name="desk-episodes"),
    path("desk/episodes/<slug:slug>/", episodes.board, name="desk-episode"),
    path("desk/episodes/<slug:slug>/order/", episodes.order, name="desk-episode-order"),
    path("desk/episodes/<slug:slug>/add/", episodes.add, name="desk-segment-add"),
    path("desk/episodes/<slug:slug>/state.json", episodes.state, name="desk-episode-state"),
    path("desk/episodes/<slug:slug>/presenter/", episodes.presenter, name="desk-presenter"),
    path("desk/episodes/<slug:slug>/shots/", episodes.shot_list, name="desk-shots"),
    path("desk/episodes/<slug:slug>/captions.vtt", episodes.captions, name="desk-captions"),
    path("desk/episodes/<slug:slug>/segments/<int:pk>/", episodes.segment, name="desk-segment"),
    path(
        "desk/episodes/<slug:slug>/segments/<int:pk>/read/", episodes.read, name="desk-segment-read"
    ),
    path("desk/episodes/<slug:slug>/segments/<int:pk>/cut/", episodes.cut, name="desk-segment-cut"),
    path(
        "desk/episodes/<slug:slug>/segments/<int:pk>/history/",
        episodes.history,
        name="desk-segment-history",
    ),
    path("desk/episodes/<slug:slug>/review/", review.show, KIND, name="episode-review"),
    path(
        "desk/episodes/<slug:slug>/review/correction/", review.correction, name="episode-correction"
    ),
    path("desk/episodes/<slug:slug>/review/stand/", review.stand, KIND, name="episode-stand"),
    path("desk/episodes/<slug:slug>/review/release/", review.release, KIND, name="episode-release"),
    path(
        "desk/episodes/<slug:slug>/review/release/<int:pk>/cancel/",
        review.cancel,
        KIND,
        name="episode-cancel",
    ),
    path("desk/episodes/<slug:slug>/review/embargo/", review.embargo, KIND, name="episode-embargo"),
    path(
        "desk/episodes/<slug:slug>/review/previews/",
        review.make_preview,
        KIND,
        name="episode-previews",
    ),
    path(
        "desk/episodes/<slug:slug>/review/previews/<int:pk>/end/",
        review.end_preview,
        KIND,
        name="episode-preview-end",
    ),
]
