"""Keys that stand twice are found in one pass, whatever the size of the object."""

import json

import pytest

from app.intake.strict_json import BadPayload, refuse_repeated_keys


@pytest.mark.parametrize(
    ("body", "key"),
    [
        ('{"a": 1, "b": 2, "a": 3}', "a"),
        ('{"x": [{"b": {}, "b": {}}]}', "b"),
        ('{"b": 1, "a": 1, "a": 2, "b": 2}', "a"),  # the first that comes again
        ('{"a": 1, "\\u0061": 2}', "a"),
    ],
)
def test_the_key_that_stands_twice_is_named(body: str, key: str) -> None:
    with pytest.raises(BadPayload, match=f"the key '{key}' stands twice in one object") as caught:
        refuse_repeated_keys(body.encode())
    assert caught.value.field == key


def test_one_key_may_stand_in_several_objects() -> None:
    refuse_repeated_keys(b'{"a": {"a": [{"a": 1}, {"a": 1}]}, "b": {"a": 1}}')


def test_a_large_object_is_searched_in_one_pass() -> None:
    """A search that counts each key anew would not end here in ten minutes; nothing is timed."""
    keys = ", ".join(f'"k{i}": 0' for i in range(200_000))
    with pytest.raises(BadPayload, match="the key 'k199999' stands twice"):
        refuse_repeated_keys(f'{{{keys}, "k199999": 0}}'.encode())
    assert len(json.loads(f"{{{keys}}}")) == 200_000
