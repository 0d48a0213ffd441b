//! A serial adapter on Linux: parity through termios, breaks through the serialport library.

use super::sleep::sleep;
use crate::serial::{LowLatency, Wire, Woken};
use crate::{Clock, InLine, LinkError, Unread, Waker};
use payrig_units::Micros;
use payrig_wire::BAUD;
use rustix::fd::{AsFd, OwnedFd};
use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{
    ControlModes, InputModes, OptionalActions, Termios, isatty, tcdrain, tcgetattr, tcsetattr,
};
use serialport::{SerialPort, TTYPort};
use std::io;
use std::path::Path;
use std::sync::{Arc, Weak};
use std::time::Duration;

/// An open adapter.
///
/// The serialport library holds the port, for other programs to see, and the line-active state; it
/// knows neither mark nor space parity. Those are set through a descriptor of our own.
pub(crate) struct AdapterWire {
    name: String,
    clock: Clock,
    holder: TTYPort,
    fd: Arc<OwnedFd>,
    speed: u32,
}

/// Opens an adapter, set for the bus except for the ninth bit.
pub(crate) fn open_wire(port: &str, clock: Clock) -> Result<AdapterWire, LinkError> {
    let failed = |doing| move |e: Errno| LinkError::from_io(port, doing, e.into());
    // First by ourselves: the library's errors do not say enough.
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let fd = rustix::fs::open(port, flags, Mode::empty()).map_err(failed("opening"))?;
    if !isatty(&fd) {
        let port = port.to_owned();
        return Err(match tcgetattr(&fd) {
            Err(Errno::IO) => LinkError::NoHardware { port },
            _ => LinkError::NotASerialPort { port },
        });
    }
    let holder = serialport::new(port, BAUD)
        .timeout(Duration::from_millis(1))
        .open_native()
        .map_err(|error| match error.kind {
            serialport::ErrorKind::NoDevice => LinkError::Busy {
                port: port.to_owned(),
            },
            serialport::ErrorKind::Io(kind) => {
                LinkError::from_io(port, "opening", io::Error::new(kind, error.description))
            }
            _ => LinkError::from_io(port, "opening", io::Error::other(error.description)),
        })?;
    Ok(AdapterWire {
        name: port.to_owned(),
        clock,
        holder,
        fd: Arc::new(fd),
        speed: BAUD,
    })
}

/// How long the driver keeps received bytes back, for drivers that say.
pub(crate) fn low_latency(port: &str) -> LowLatency {
    let real = std::fs::canonicalize(port).unwrap_or_else(|_| Path::new(port).to_owned());
    let Some(name) = real.file_name() else {
        return LowLatency::Unknown;
    };
    let file = Path::new("/sys/class/tty")
        .join(name)
        .join("device/latency_timer");
    match std::fs::read_to_string(&file)
        .ok()
        .and_then(|text| text.trim().parse::<u32>().ok())
    {
        Some(milliseconds) => LowLatency::Keeps {
            up_to_us: Micros::ms(u64::from(milliseconds)),
            file: file.to_string_lossy().into_owned(),
        },
        None => LowLatency::Unknown,
    }
}

/// Settings of a nine-bit bus: raw, 9600 baud, eight bits and a parity that is always the same,
/// errors and breaks marked (termios(3): CMSPAR, PARODD, INPCK, PARMRK).
pub(super) fn nine_bits(settings: &mut Termios, ninth: bool, speed: u32) -> rustix::io::Result<()> {
    settings.make_raw();
    settings
        .input_modes
        .insert(InputModes::INPCK | InputModes::PARMRK);
    settings
        .input_modes
        .remove(InputModes::IGNPAR | InputModes::IGNBRK | InputModes::BRKINT);
    let control = &mut settings.control_modes;
    control.remove(ControlModes::CSTOPB | ControlModes::CRTSCTS);
    control.insert(ControlModes::CREAD | ControlModes::CLOCAL);
    control.insert(ControlModes::PARENB | ControlModes::CMSPAR);
    // With CMSPAR, PARODD means mark: the ninth bit always set.
    control.set(ControlModes::PARODD, ninth);
    settings.set_speed(speed)
}

impl Wire for AdapterWire {
    fn name(&self) -> &str {
        &self.name
    }

    fn now(&self) -> Micros {
        self.clock.now()
    }

    fn wait(&mut self, until: Micros, listen: bool, waker: Option<&Waker>) -> io::Result<Woken> {
        let fd = listen.then_some(self.fd.as_fd());
        sleep(self.clock, until, fd, waker)
    }

    fn unread(&self) -> Option<Weak<dyn Unread>> {
        let port: Arc<dyn Unread> = Arc::clone(&self.fd) as _;
        Some(Arc::downgrade(&port))
    }

    fn read(&mut self, into: &mut Vec<u8>) -> io::Result<usize> {
        let mut bytes = [0; 512];
        match rustix::io::read(&*self.fd, &mut bytes) {
            // End of file on a terminal: its hardware is gone.
            Ok(0) => Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(count) => {
                into.extend_from_slice(bytes.get(..count).unwrap_or_default());
                Ok(count)
            }
            Err(Errno::AGAIN | Errno::INTR) => Ok(0),
            Err(error) => Err(error.into()),
        }
    }

    fn write(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() {
            match rustix::io::write(&*self.fd, bytes) {
                Ok(count) => bytes = bytes.get(count..).unwrap_or_default(),
                Err(Errno::INTR) => {}
                // The driver's buffer is full: a millisecond makes room for a byte.
                Err(Errno::AGAIN) => {
                    sleep(self.clock, self.clock.now() + Micros::ms(1), None, None)?;
                }
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    fn drain(&mut self) -> io::Result<()> {
        Ok(tcdrain(&*self.fd)?)
    }

    fn set_ninth(&mut self, set: bool) -> io::Result<bool> {
        let mut settings = tcgetattr(&*self.fd)?;
        nine_bits(&mut settings, set, self.speed)?;
        match tcsetattr(&*self.fd, OptionalActions::Now, &settings) {
            Ok(()) => {}
            Err(Errno::INVAL) => return Ok(false),
            Err(error) => return Err(error.into()),
        }
        // A driver that cannot do it takes the rest and says nothing.
        let wanted = ControlModes::PARENB | ControlModes::CMSPAR;
        let took = tcgetattr(&*self.fd)?.control_modes;
        Ok(took.contains(wanted) && took.contains(ControlModes::PARODD) == set)
    }

    fn set_speed(&mut self, baud: u32) -> io::Result<()> {
        self.speed = baud;
        let mut settings = tcgetattr(&*self.fd)?;
        settings.set_speed(baud)?;
        Ok(tcsetattr(&*self.fd, OptionalActions::Now, &settings)?)
    }

    fn line(&mut self, line: InLine) -> io::Result<bool> {
        let level = match line {
            InLine::Cts => self.holder.read_clear_to_send(),
            InLine::Dsr => self.holder.read_data_set_ready(),
            InLine::Dcd => self.holder.read_carrier_detect(),
            InLine::Ri => self.holder.read_ring_indicator(),
        };
        // A terminal without modem lines.
        level.map_err(|_| io::ErrorKind::Unsupported.into())
    }

    fn set_break(&mut self, on: bool) -> io::Result<()> {
        if on {
            self.holder.set_break()?;
        } else {
            self.holder.clear_break()?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{ParitySwitching, SerialOptions, UNMEASURED, open_serial, probe};
    use payrig_wire::Source;
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

    /// A pair whose other end takes settings as an adapter would, but no parity.
    fn pair() -> (OwnedFd, String) {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let path = ptsname(&master, Vec::new()).unwrap();
        (master, path.to_str().unwrap().to_owned())
    }

    fn options(port: &str) -> SerialOptions {
        SerialOptions {
            port: port.to_owned(),
            ours: Source::Peripheral,
            clock: Clock::starting_now(),
            uncertainty: UNMEASURED,
            reconnect: None,
        }
    }

    fn error(port: &str) -> LinkError {
        match open_serial(options(port)) {
            Err(error) => error,
            Ok(_) => panic!("{port} was opened"),
        }
    }

    #[test]
    fn wrong_ports_have_errors_that_say_what_to_do() {
        let missing = error("/dev/no-such-adapter");
        assert!(matches!(missing, LinkError::NotFound { .. }), "{missing}");
        assert!(missing.to_string().contains("choose one that is there"));
        let file = tempfile::NamedTempFile::new().unwrap();
        let no_port = error(file.path().to_str().unwrap());
        assert!(
            matches!(no_port, LinkError::NotASerialPort { .. }),
            "{no_port}"
        );
    }

    #[test]
    fn a_port_in_use_is_busy() {
        let (_master, path) = pair();
        let _held = serialport::new(&path, BAUD).open_native().unwrap();
        let busy = error(&path);
        assert!(matches!(busy, LinkError::Busy { .. }), "{busy}");
    }

    #[test]
    fn a_terminal_without_parity_is_refused_and_the_self_test_says_so() {
        let (_master, path) = pair();
        let incapable = error(&path);
        assert!(
            matches!(incapable, LinkError::Incapable { .. }),
            "{incapable}"
        );
        let report = probe(&path).unwrap();
        assert_eq!(report.parity, ParitySwitching::Refused);
    }

    /// The settings themselves, as far as a pseudo-terminal shows them: marked bytes double.
    #[test]
    fn settings_of_a_nine_bit_bus() {
        let (master, path) = pair();
        let mut wire = open_wire(&path, Clock::starting_now()).unwrap();
        wire.set_ninth(true).unwrap();
        let settings = tcgetattr(&*wire.fd).unwrap();
        assert!(
            settings
                .input_modes
                .contains(InputModes::INPCK | InputModes::PARMRK)
        );
        assert!(
            settings
                .control_modes
                .contains(ControlModes::CMSPAR | ControlModes::PARODD)
        );
        assert_eq!(
            (settings.input_speed(), settings.output_speed()),
            (BAUD, BAUD)
        );
        rustix::io::write(&master, &[0xFF, 0x0B]).unwrap();
        let mut heard = Vec::new();
        while heard.len() < 3 {
            wire.wait(Micros::secs(10), true, None).unwrap();
            wire.read(&mut heard).unwrap();
        }
        assert_eq!(heard, [0xFF, 0xFF, 0x0B]);
        drop(master);
        let woken = wire.wait(Micros::secs(20), true, None).unwrap();
        assert!(woken.hung_up || wire.read(&mut heard).is_err());
    }
}
