"""The description of the API, for machines and for people."""

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.decorators import method_decorator
from django.views.decorators.cache import cache_control
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.views import SpectacularJSONAPIView
from rest_framework.permissions import AllowAny


@method_decorator(login_not_required, name="dispatch")
@method_decorator(cache_control(public=True, max_age=300), name="dispatch")
class SchemaView(SpectacularJSONAPIView):
    """The description itself. It tells no records, so everybody may read it."""

    authentication_classes = ()
    permission_classes = (AllowAny,)


@login_not_required
@cache_control(public=True, max_age=300)
def page(request: HttpRequest) -> HttpResponse:
    generator = SchemaGenerator()  # type: ignore[no-untyped-call]
    schema = generator.get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    operations = [
        {
            "method": method.upper(),
            "path": path,
            "says": operation.get("description", ""),
            "id": operation["operationId"],
            "filters": [p["name"] for p in operation.get("parameters", []) if p["in"] == "query"],
        }
        for path, methods in schema["paths"].items()
        for method, operation in methods.items()
    ]
    return render(request, "labsite/api.html", {"operations": operations})
