"""One line a system that checks a package without stemprep, run inside the package's folder."""

from __future__ import annotations

_LISTS = "manifest-sha256.txt tagmanifest-sha256.txt"

_POWERSHELL = (
    "Get-Content manifest-sha256.txt,tagmanifest-sha256.txt -Encoding UTF8 | ForEach-Object { "
    "$want,$file = $_ -split '  ',2; "
    "if ((Get-FileHash -LiteralPath $file -Algorithm SHA256).Hash -ne $want) "
    '{ "$file: FAILED" } else { "$file: OK" } }'
)


def check_commands() -> tuple[tuple[str, str], ...]:
    """Give (system, command) pairs for the package's folder; each uses what the system has.

    The commands read paths as they stand, so no name in a package holds % or a line break, which
    RFC 8493 encodes in the manifests (``naming.listing_problems``).
    """
    return (
        ("Linux", f"sha256sum -c {_LISTS}"),
        ("macOS", f"shasum -a 256 -c {_LISTS}"),
        ("Windows (PowerShell)", _POWERSHELL.replace("$file:", "${file}:")),
    )
