"""What people type about who may come in."""

from typing import Any

from django import forms
from django.contrib.auth import password_validation

from labsite.access import TOKEN_DAYS_AT_MOST
from labsite.forms import ActionForm
from labsite.models import User
from labsite.roles import MAY, Deed, Role, roles_of

DOES = {
    Role.TECHNICIAN: "technician: enters readings at the bench",
    Role.LEAD: "lead: studies, methods, instruments, sign-off",
    Role.EDITOR: "editor: drafts and publishes",
    Role.ADMINISTRATOR: "administrator: people, the site, backups",
    Role.AUDITOR: "auditor: reads everything, changes nothing",
}
OLD_PASSWORD = forms.PasswordInput(attrs={"autocomplete": "current-password"})


class RolesField(forms.TypedMultipleChoiceField):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            choices=[(role.value, DOES[role]) for role in Role],
            coerce=Role,
            widget=forms.CheckboxSelectMultiple,
            label="What this person does",
            **kwargs,
        )


class InviteForm(ActionForm):
    username = forms.CharField(
        max_length=150, label="Name to sign in with", help_text="Letters, digits and . + - _ only."
    )
    first_name = forms.CharField(max_length=150, required=False)
    last_name = forms.CharField(max_length=150, required=False)
    roles = RolesField()


class PersonForm(ActionForm):
    roles = RolesField(required=False)
    is_active = forms.BooleanField(
        required=False,
        label="May sign in",
        help_text="Closing an account signs the person out everywhere and revokes their tokens.",
    )
    reason = forms.CharField(max_length=300, label="Why", help_text="Kept on the audit trail.")


class WelcomeForm(ActionForm):
    password = forms.CharField(
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text=password_validation.password_validators_help_text_html,
    )
    again = forms.CharField(
        strip=False,
        label="The same once more",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if "password" in cleaned and "again" in cleaned and cleaned["password"] != cleaned["again"]:
            self.add_error("again", "The two differ.")
        return cleaned


class OwnPasswordForm(WelcomeForm):
    old = forms.CharField(strip=False, label="Password until now", widget=OLD_PASSWORD)
    field_order = ("old", "password", "again")

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user

    def clean_old(self) -> str:
        old = str(self.cleaned_data["old"])
        if not self.user.check_password(old):
            raise forms.ValidationError("That is not your password.")
        return old


class CodeForm(ActionForm):
    code = forms.CharField(
        max_length=20,
        label="Code",
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "text"}),
        help_text="The six digits that your phone shows now, or one of your recovery codes.",
    )


class PinForm(ActionForm):
    pin = forms.CharField(
        max_length=8,
        label="PIN",
        widget=forms.PasswordInput(attrs={"inputmode": "numeric", "autocomplete": "off"}),
    )


class SetPinForm(PinForm):
    password = forms.CharField(strip=False, label="Your password", widget=OLD_PASSWORD)

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user
        self.fields["pin"].help_text = "Four to eight digits, for the lab's own tablets."

    def clean_password(self) -> str:
        password = str(self.cleaned_data["password"])
        if not self.user.check_password(password):
            raise forms.ValidationError("That is not your password.")
        return password


class TabletForm(ActionForm):
    name = forms.CharField(
        max_length=60, label="Name of this tablet", help_text="Such as where it hangs: water bench."
    )


class TokenForm(ActionForm):
    name = forms.CharField(max_length=60, label="What it is for")
    deeds = forms.TypedMultipleChoiceField(
        coerce=lambda name: Deed[name],
        widget=forms.CheckboxSelectMultiple,
        label="What it may do",
        help_text="Give a program no more than it needs.",
    )
    days = forms.IntegerField(
        label="Days until it ends", initial=90, help_text=f"At most {TOKEN_DAYS_AT_MOST}."
    )

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["deeds"]
        if isinstance(field, forms.TypedMultipleChoiceField):
            mine = roles_of(user)
            field.choices = [
                (deed.name, deed.value) for deed in Deed if not MAY[deed].isdisjoint(mine)
            ]


class ReasonForm(ActionForm):
    reason = forms.CharField(max_length=300, label="Why", help_text="Kept on the audit trail.")
