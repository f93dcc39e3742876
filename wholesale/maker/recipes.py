"""Recipes: the list, one with its portions and versions, and the form that writes its next version."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from wholesale import clock
from wholesale.actions import recipes as actions
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.maker.forms import page as answer
from wholesale.maker.forms import refused
from wholesale.maker.recipe_forms import CautionsForm, RecipeForm
from wholesale.queries import recipes as recipe_pages
from wholesale.queries.recipes import Portions, RecipePage
from wholesale.web.access import bench_only, maker_only, signed_in

#: What stands in place of the portions while a row can't be read.
MEND_ROWS = "Mend what is marked in the form; then what it comes to stands here."


@require_GET
@bench_only
def recipes(request: HttpRequest) -> HttpResponse:
    """All recipes with what they cost and the limits they pass."""
    return render(request, "maker/recipes.html", {"recipes": recipe_pages.recipes()})


@require_GET
@bench_only
def recipe(request: HttpRequest, item: str) -> HttpResponse:
    """How one item is made."""
    return _page(request, item)


@require_POST
@maker_only
def cautions(request: HttpRequest, item: str) -> HttpResponse:
    """Write what to take care of with an item."""
    form = CautionsForm(request.POST)
    if not form.is_valid():
        return _page(request, item, form)
    try:
        actions.set_cautions(by=signed_in(request), item=item, **form.cleaned_data)
    except Refusal as refusal:
        return _page(request, item, refused(form, refusal))
    messages.success(request, "Saved. Batch sheets made from now on say it too.")
    return redirect("bench:recipe", item)


@require_http_methods(["GET", "HEAD", "POST"])
@maker_only
def edit(request: HttpRequest, item: str) -> HttpResponse:
    """The form; a POST adds or takes out a row, works it out, or saves the next version."""
    page = recipe_pages.recipe_page(item, request.POST.get("scent", request.GET.get("scent", "")))
    form = _form(request, page)
    if request.POST.get("do") != "save":
        return _form_page(request, page, form)
    if not form.is_valid():
        return _form_page(request, page, form, status=422)
    head = form.head.cleaned_data
    typed = form.recipe()
    try:
        version = actions.save(
            by=signed_in(request), item=item, base=head["base"], lines=typed.lines, operations=typed.operations,
            valid_from=head["valid_from"], because=head["because"],
        )  # fmt: skip
    except (NotAllowed, NotFound):
        raise
    except Conflict as conflict:
        return _stale(request, page, conflict)
    except Refusal as refusal:
        form.refuse(refusal)
        return _form_page(request, page, form, status=422)
    messages.success(request, _saved(page, version))
    return redirect("bench:recipe", item)


@require_POST
@maker_only
def preview(request: HttpRequest, item: str) -> HttpResponse:
    """Only what the typed recipe comes to; nothing is saved."""
    page = recipe_pages.recipe_page(item, request.POST.get("scent", ""))
    known = _known(page, _portions(page, _form(request, page)))
    return render(request, "maker/recipe_portions.html", known)


def _form(request: HttpRequest, page: RecipePage) -> RecipeForm:
    data = request.POST.dict() if request.method == "POST" else None
    return RecipeForm(page, data, {"base": page.newest, "valid_from": clock.today()})


def _portions(page: RecipePage, form: RecipeForm) -> Portions:
    """What the typed rows come to, as far as they can be read."""
    if not form.lines.is_bound:
        return recipe_pages.portions(page)
    return recipe_pages.portions(page, form.recipe()) if form.rows_are_valid() else Portions(refusal=MEND_ROWS)


def _saved(page: RecipePage, version: int) -> str:
    if version == page.newest:
        return f"Nothing differs from version {version}; it stays as it is."
    return f"Version {version} is saved. Batches that are begun keep the version they began with."


def _stale(request: HttpRequest, page: RecipePage, conflict: Conflict) -> HttpResponse:
    """What was typed, now on top of the version that came between: saving again is a decision."""
    data = {**request.POST.dict(), "do": "", "base": str(conflict.facts["version"])}
    again = RecipeForm(page, data, {})
    return _form_page(request, page, again, status=409, conflict=conflict.message)


def _form_page(
    request: HttpRequest, page: RecipePage, form: RecipeForm, status: int = 200, **also: object
) -> HttpResponse:
    if status == 422:
        messages.error(request, "Nothing was saved. Mend what is marked in the form.")
    known = {**_known(page, _portions(page, form)), "form": form, **also}
    return render(request, "maker/recipe_edit.html", known, status=status)


def _page(request: HttpRequest, item: str, form: CautionsForm | None = None) -> HttpResponse:
    page = recipe_pages.recipe_page(item, request.GET.get("scent", ""))
    told = {"cautions": page.item.cautions, "limits_refuse": page.item.limits_refuse}
    known = {**_known(page, recipe_pages.portions(page)), "form": form or CautionsForm(initial=told)}
    return answer(request, "maker/recipe.html", known, form)


def _known(page: RecipePage, portions: Portions) -> dict[str, object]:
    return {
        "page": page,
        "item": page.item,
        "portions": portions,
        "currency": page.settings.currency,
        "cautions": recipe_pages.CAUTIONS,
    }
