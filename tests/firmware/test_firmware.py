"""Tests of the firmware. Amounts that come back are in minor units; a bench that broke a limit, or whose books
do not agree, fails its test at the end by itself."""


def test_coins_buy_and_change_comes_back(machine):
    machine.insert_coin("1.00")
    machine.wait(holds={"customer": "-1.00"})
    machine.run("1 s")
    machine.select(12)                                  # 0.75
    machine.wait(holds={"customer": "-0.75"})


def test_the_coin_return_gives_all_back(machine):
    for _ in range(3):
        machine.insert_coin("0.25")
        machine.run("1 s")
    machine.press_return()
    machine.wait(holds={"customer": "0.00"})


def test_an_item_that_does_not_fall_is_not_paid(machine):
    machine.jam_item(13)
    machine.insert_coin("0.25")
    machine.run("1 s")
    machine.select(13)
    machine.run("4 s")
    machine.press_return()
    machine.wait(holds={"customer": "0.00"})


def test_a_coin_whose_report_is_lost_counts_once(machine):
    with machine.fault("lose", from_="peripheral", frame="block", at="changer", count=1):
        machine.insert_coin("0.25")
        machine.run("2 s")
    machine.press_return()
    machine.wait(holds={"customer": "0.00"})
    assert machine.holds("changer tube 2") == 625


def test_a_card_pays_for_what_fell(machine):
    machine.present_card("5.00")
    machine.wait(event={"name": "BEGIN SESSION"})
    machine.run("1 s")
    machine.select(11)                                  # 1.25
    machine.wait(event={"name": "VEND SUCCESS"})
    machine.wait(event={"name": "END SESSION"})
    assert machine.holds("reader receipts") == 125


def test_a_card_does_not_pay_for_what_did_not_fall(machine):
    machine.jam_item(11)
    machine.present_card("5.00")
    machine.wait(event={"name": "BEGIN SESSION"})
    machine.run("1 s")
    machine.select(11)
    machine.wait(event={"name": "VEND FAILURE"})
    machine.wait(event={"name": "END SESSION"})
    assert machine.holds("reader receipts") == 0


def test_a_card_with_too_little_buys_nothing(machine):
    machine.present_card("0.10")
    machine.wait(event={"name": "BEGIN SESSION"})
    machine.run("1 s")
    machine.select(12)
    machine.wait(event={"name": "VEND DENIED"})
    machine.wait(event={"name": "END SESSION"})


def test_a_changer_without_power_is_set_up_again(machine):
    with machine.without_power("changer"):
        machine.run("8 s")
    machine.wait(event={"device": "changer", "name": "SETUP"}, within="10 s")
    machine.wait(ready="changer")
    machine.insert_coin("0.25")
    machine.wait(holds={"customer": "-0.25"})
    machine.run("1 s")
    machine.press_return()
    machine.wait(holds={"customer": "0.00"})
