import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import JournalError
from trialkit.journal.codes import read_code, write_code

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


@given(st.binary(min_size=1, max_size=40))
@settings(max_examples=200, derandomize=True)
def test_a_code_reads_back(secret):
    assert read_code(write_code(secret), len(secret)) == secret


@pytest.mark.parametrize("size", [10, 32])
def test_every_single_mistyped_character_is_found(size):
    code = write_code(random.Random(size).randbytes(size)).replace("-", "")
    for i, right in enumerate(code):
        for wrong in ALPHABET:
            if wrong != right:
                with pytest.raises(JournalError):
                    read_code(code[:i] + wrong + code[i + 1 :], size)


@pytest.mark.parametrize("seed", range(5))
def test_every_swap_of_neighbours_is_found(seed):
    code = write_code(random.Random(seed).randbytes(10)).replace("-", "")
    for i in range(len(code) - 1):
        if code[i] != code[i + 1]:
            with pytest.raises(JournalError):
                read_code(code[:i] + code[i + 1] + code[i] + code[i + 2 :])


def test_case_blanks_and_likenesses_do_not_matter():
    secret = bytes(10)
    code = write_code(secret)
    assert read_code(code.lower().replace("-", " ").replace("0", "o")) == secret


@pytest.mark.parametrize("typed", ["", "0000", "U" * 18, "0000-0000-0000-0000-0000"])
def test_what_cannot_be_a_code_is_refused(typed):
    with pytest.raises(JournalError) as caught:
        read_code(typed)
    assert caught.value.problems[0].where == "code"
