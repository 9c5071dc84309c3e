"""The lab office's pages for what tablets could not send: files of entries, entries handed over."""

import json

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from labsite.errors import Refused
from labsite.roles import Deed, may, needs, person
from specimens.trails import lab_trail
from trials.entries_file import look_at, receive_file, take_in
from trials.held import settle_held
from trials.models import EntriesFile, HeldEntry
from trials.offline_forms import EntriesFileForm, SettleHeldForm

SHOWN = 200  # entries of a file on its page
PAGE_LENGTH = 50


@needs(Deed.UPLOAD_READINGS)
def entries_files(request: HttpRequest) -> HttpResponse:
    """Bring a file, and the files brought before."""
    is_sent = request.method == "POST"
    form = EntriesFileForm(request.POST, request.FILES) if is_sent else EntriesFileForm()
    if form.is_valid():
        file = form.cleaned_data["file"]
        try:
            row = receive_file(by=person(request), file_name=file.name, content=file.read())
        except Refused as refused:
            form.refuse(refused)
        else:
            return redirect("entries-file-look", pk=row.pk)
    context = {
        "form": form,
        "files": EntriesFile.objects.defer("content").select_related("by")[:20],
        "trail": lab_trail("Entries from a tablet's file"),
    }
    return render(request, "trials/tablets/files.html", context, status=form.status)


@needs(Deed.UPLOAD_READINGS)
def entries_file(request: HttpRequest, pk: int) -> HttpResponse:
    """What taking the file in would do; a POST does it."""
    row = get_object_or_404(EntriesFile.objects.select_related("by"), pk=pk)
    if request.method == "POST":
        looked = take_in(by=person(request), row=row)
        messages.success(request, "Taken in. What is refused below is still only in this file.")
    else:
        looked = look_at(row, by=person(request))
    context = {
        "row": row,
        "looked": looked,
        "fates": looked.fates[:SHOWN],
        "is_done": request.method == "POST",
        "trail": lab_trail(
            ("Entries from a tablet's file", reverse("entries-file")), row.file_name
        ),
    }
    return render(request, "trials/tablets/file.html", context)


@needs(Deed.SEE_LAB)
def held_entries(request: HttpRequest) -> HttpResponse:
    """Entries that could not be taken as they are."""
    held = HeldEntry.objects.select_related("by", "settled_by")
    settled = held.filter(settled_at__isnull=False).order_by("-settled_at")
    context = {
        "waiting": held.filter(settled_at__isnull=True),
        "settled": Paginator(settled, PAGE_LENGTH).get_page(request.GET.get("page")),
        "may_settle": may(request.user, Deed.MANAGE_RECORDS),
        "trail": lab_trail("Entries handed over"),
    }
    return render(request, "trials/tablets/held.html", context)


@needs(Deed.MANAGE_RECORDS)
def settle_held_entry(request: HttpRequest, pk: str) -> HttpResponse:
    """Say what was done about one."""
    row = get_object_or_404(HeldEntry.objects.select_related("by", "settled_by"), pk=pk)
    form = SettleHeldForm(request.POST or None)
    if form.is_valid():
        try:
            settle_held(by=person(request), held=row, **form.cleaned_data)
        except Refused as refused:
            form.refuse(refused)
        else:
            messages.success(request, "Settled. The entry stays readable.")
            return redirect("lab-held")
    context = {
        "form": form,
        "row": row,
        "content": json.dumps(row.content, indent=2, ensure_ascii=False),
        "trail": lab_trail(("Entries handed over", reverse("lab-held")), "Settle"),
    }
    return render(request, "trials/tablets/settle_held.html", context, status=form.status)
