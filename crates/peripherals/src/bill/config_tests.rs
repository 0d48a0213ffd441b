//! Tests of [`super::BillConfig::check`]: every error, and what it says.

use super::*;

fn with(change: impl FnOnce(&mut BillConfig)) -> Result<(), BillConfigError> {
    let mut config = BillConfig::default();
    change(&mut config);
    config.check()
}

#[test]
fn the_default_is_sound_and_its_credits_are_the_captured_ones() {
    let config = BillConfig::default();
    assert_eq!(config.check(), Ok(()));
    // captures/clean-1.expect.json, at 822704 us: 01 05 0A 14.
    let credits: Vec<u8> = (0..5).map(|t| config.credit(t)).collect();
    assert_eq!(credits, [0x01, 0x05, 0x0A, 0x14, 0x00]);
    assert_eq!(config.kind(16), BillKind::Unused);
}

#[test]
fn values_the_credit_byte_cannot_say() {
    for minor in [0, -100, 150, 25_500] {
        let error = with(|c| c.bills = vec![BillKind::Value(Money(minor))]).unwrap_err();
        let text = error.to_string();
        assert!(text.contains(&format!("worth {minor} minor")), "{text}");
        assert!(text.contains("100 to 25400"), "{text}");
    }
    assert_eq!(
        with(|c| c.bills = vec![BillKind::Token, BillKind::Value(Money(25_400))]),
        Ok(())
    );
}

#[test]
fn what_does_not_fit_together() {
    let store = |bill_type, count, capacity| RecyclerStore {
        bill_type,
        count,
        capacity,
    };
    assert_eq!(with(|c| c.level = 3), Err(BillConfigError::Level(3)));
    assert_eq!(
        with(|c| c.bills = vec![BillKind::Unused; 17]),
        Err(BillConfigError::TooManyTypes(17))
    );
    assert_eq!(
        with(|c| c.recycler = vec![store(1, 0, 30)]),
        Err(BillConfigError::NeedsLevel2)
    );
    assert_eq!(
        with(|c| {
            c.level = 2;
            c.recycler = vec![store(1, 0, 30), store(1, 0, 30)];
        }),
        Err(BillConfigError::TwoStores(1))
    );
    assert_eq!(
        with(|c| {
            c.level = 2;
            c.recycler = vec![store(9, 0, 30)];
        }),
        Err(BillConfigError::NoSuchType(9))
    );
    assert_eq!(
        with(|c| {
            c.level = 2;
            c.recycler = vec![store(1, 31, 30)];
        }),
        Err(BillConfigError::Overfull {
            count: 31,
            capacity: 30
        })
    );
    assert_eq!(
        with(|c| c.stacked = vec![(0, 200), (1, 201)]),
        Err(BillConfigError::Overfull {
            count: 401,
            capacity: 400
        })
    );
    assert_eq!(
        with(|c| c.stacked = vec![(4, 1)]),
        Err(BillConfigError::NoSuchType(4))
    );
    assert_eq!(
        with(|c| c.stacker_capacity = 0x8000),
        Err(BillConfigError::StackerCapacity(0x8000))
    );
}

/// Section 6.4: five seconds at most.
#[test]
fn silence_is_limited() {
    assert_eq!(with(|c| c.start_up = Micros::secs(5)), Ok(()));
    assert!(with(|c| c.start_up = Micros::ms(5_001)).is_err());
    let slow = |c: &mut BillConfig| c.travel.dispense = Micros::secs(6);
    assert_eq!(with(slow), Ok(()));
    let error = with(|c| {
        slow(c);
        c.while_moving = WhileMoving::Silent;
    });
    assert!(error.unwrap_err().to_string().contains("while dispensing"));
}
