"""What the plan says in words of a schedule that is too poor for the orders to be asked."""

from roadlog.plan.verdict import chance_line


def test_six_days_are_too_few_to_hold_a_firm_word_against_their_orders():
    """18 orders without the two of one single change: the gate starts at 20 (method, section 8)."""
    assert "rests on the t interval alone" in " ".join(" ".join(chance_line(18)).split())
    assert "t interval alone" not in " ".join(chance_line(36))
    assert "enough" in " ".join(chance_line(216))
