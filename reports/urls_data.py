"""What machines read, in no language, and the desk's pages for putting things right."""

from django.urls import path

from reports.views import data, errata, feeds

EDITION = "scorecards/<slug:slug>/<int:number>"

urlpatterns = [
    path(f"{EDITION}/package.zip", data.package, name="edition-package"),
    path(f"{EDITION}/package/<str:name>", data.package_file, name="edition-package-file"),
    path(f"{EDITION}/cite.bib", data.as_bibtex, name="edition-bibtex"),
    path(f"{EDITION}/cite.json", data.as_csl, name="edition-csl"),
    path(f"{EDITION}/picture.png", data.picture, name="edition-picture"),
    path("scorecards/<slug:slug>/feed.atom", feeds.study_feed, name="study-feed"),
    path("feed.atom", feeds.feed, name="feed"),
    path("sitemap.xml", feeds.sitemap, name="sitemap"),
    path("robots.txt", feeds.robots, name="robots"),
    path("desk/<slug:slug>/correction/", errata.correct, name="desk-correct"),
    path("desk/<slug:slug>/correction/drop/", errata.drop, name="desk-correct-drop"),
    path("desk/<slug:slug>/<int:number>/withdraw/", errata.withdraw, name="desk-withdraw"),
]
