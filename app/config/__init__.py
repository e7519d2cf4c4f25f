"""Settings: what there is to set, where it is read from, and what is handed to child processes.

They come from a settings file (TOML), the environment (``ULLAGE_...``) and the options of a command; of what is given
more than once the later of these counts. Nothing else reads the environment.
"""

from app.config.children import environment_of, hand_down, share_metrics, shared_metrics
from app.config.load import FILE_VARIABLE, OptionError, SettingsError, load_settings, settings_file
from app.config.settings import Settings, address_of
from app.config.values import PREFIX, TEXT, values_of

__all__ = [
    "FILE_VARIABLE",
    "PREFIX",
    "TEXT",
    "OptionError",
    "Settings",
    "SettingsError",
    "address_of",
    "environment_of",
    "hand_down",
    "load_settings",
    "settings_file",
    "share_metrics",
    "shared_metrics",
    "values_of",
]
