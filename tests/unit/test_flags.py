import pytest

from standcam import flags


def test_bits_and_names_are_unique():
    bits = [f.bit for f in flags.REGISTER]
    assert all(b > 0 and b & (b - 1) == 0 for b in bits)
    assert len(set(bits)) == len(bits)
    assert len({f.name for f in flags.REGISTER}) == len(bits)


def test_words_and_back():
    everything = flags.bit(*[f.name for f in flags.REGISTER])
    assert flags.parse(flags.words(everything)) == everything
    assert flags.words(flags.bit("weak", "split")) == "split; weak"
    assert flags.words(0) == "" and flags.parse("") == 0
    assert flags.parse(" weak ;split; ") == flags.bit("split", "weak")


def test_meanings_are_sentences():
    assert flags.meanings(flags.bit("no_scale")) == [
        "nothing in the photo gives a ground scale: centimetres are left empty"
    ]
    assert all(len(f.meaning) > 10 and ";" not in f.name for f in flags.REGISTER)


def test_unknown_name():
    with pytest.raises(KeyError, match="wilted"):
        flags.bit("wilted")
