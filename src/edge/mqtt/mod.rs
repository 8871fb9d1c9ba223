//! The bus: one main connection for everything that is read and told, and one guard connection for
//! each closing topic.
//!
//! [`spawn`] starts both on threads of their own; [`Bus`] stops them in the right order. The driver
//! of a plant holds a [`PlantBus`]: it tells it every event it takes, carries outputs out through it,
//! and beats its heart. Nothing here knows what an output means; nothing here blocks the driver.

mod announcer;
mod backoff;
mod bucket;
pub mod command;
mod connection;
pub mod discovery;
pub mod guard;
pub mod homie;
mod options;
mod outbox;
pub mod payload;
pub(crate) mod receive;
#[cfg(test)]
mod testing;
pub mod topics;

pub use guard::{Alive, GuardHandle, NotSent};
pub use options::{BusError, Dial};
pub use outbox::{Message, Outbox, OutboxCounts};
pub use receive::WallClock;
pub use topics::{DeviceState, Topics};

use crate::board::Board;
use crate::engine::event::Event;
use crate::engine::output::Output;
use crate::engine::setup::Setup;
use crate::engine::time::Mono;
use crate::intake::Intake;
use crate::settings::Settings;
use crate::settings::schema::OnStop;
use connection::Main;
use receive::{PlantParts, Receiver};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::runtime;
use tokio::sync::watch;

/// A guard that was told to end has this long to say goodbye.
const GOODBYE_MAX: Duration = Duration::from_secs(3);

/// Engines that have ended leave their guards connected for this long, until these are ended too.
const REST: Duration = Duration::from_secs(10);

/// The bus of one daemon.
#[derive(Debug)]
pub struct Bus {
    plants: Vec<PlantBus>,
    outbox: Outbox,
    topics: Topics,
    instance: Arc<str>,
    stop: watch::Sender<bool>,
    main: Option<JoinHandle<()>>,
    guards: Option<JoinHandle<()>>,
}

/// The bus as the driver of one plant sees it. Clones share everything.
#[derive(Clone, Debug)]
pub struct PlantBus {
    setup: Arc<Setup>,
    topics: Topics,
    instance: Arc<str>,
    outbox: Outbox,
    guards: Vec<GuardHandle>,
    alive: Alive,
    said: Arc<Mutex<DeviceState>>,
}

/// Starts the bus: returns at once, whether or not there is a broker. `intakes` are in the order of
/// `setups`. Guards connect after the first beat of their plant's [`Alive`].
///
/// # Errors
/// [`BusError`] when a file of the settings cannot be used or a thread cannot be started.
pub fn spawn(
    settings: &Arc<Settings>,
    setups: &[Arc<Setup>],
    intakes: &[Intake],
    board: &Board,
    clock: &WallClock,
) -> Result<Bus, BusError> {
    assert_eq!(setups.len(), intakes.len(), "one intake for each plant");
    let dial = Arc::new(Dial::from_settings(&settings.broker)?);
    let topics = Topics::new(settings);
    let instance: Arc<str> = format!("{:016x}", backoff::random()).into();
    let outbox = Outbox::new();

    let mut plants = Vec::new();
    let mut guard_tasks = Vec::new();
    for (setup, intake) in setups.iter().zip(intakes) {
        let alive = Alive::new();
        let mut guards = Vec::new();
        for (actuator, facts) in setup.actuators.iter().enumerate() {
            let name = format!("{}-{}", setup.plant, facts.id);
            let handle = GuardHandle::new(name, !facts.open.is_empty(), alive.clone());
            let guard_setup = guard::GuardSetup {
                root: settings.broker.root.clone(),
                plant: setup.plant.clone(),
                actuator,
                facts: facts.clone(),
                keep_alive: Duration::from_secs(settings.broker.guard_keep_alive_secs.into()),
                dial: Arc::clone(&dial),
                intake: intake.clone(),
                clock: Arc::clone(clock),
            };
            guard_tasks.push((guard_setup, handle.clone()));
            guards.push(handle);
        }
        plants.push(PlantBus {
            setup: Arc::clone(setup),
            topics: topics.clone(),
            instance: Arc::clone(&instance),
            outbox: outbox.clone(),
            guards,
            alive,
            said: Arc::new(Mutex::new(DeviceState::Init)),
        });
    }

    let parts = plants
        .iter()
        .zip(intakes)
        .map(|(plant, intake)| PlantParts { bus: plant.clone(), intake: intake.clone() })
        .collect();
    let beat = format!("{instance} {}", settings.daemon.id);
    let receiver = Receiver::new(
        settings,
        parts,
        topics.clone(),
        beat.clone(),
        outbox.clone(),
        board.clone(),
        Arc::clone(clock),
    );
    let (stop, stopped) = watch::channel(false);
    let main = Main {
        dial,
        topics: topics.clone(),
        client_id: format!("permeated-{}-{}", settings.daemon.id, &instance[..8]),
        beat,
        keep_alive: Duration::from_secs(settings.broker.keep_alive_secs.into()),
        outbox: outbox.clone(),
        receiver: Arc::new(Mutex::new(receiver)),
        board: board.clone(),
        stop: stopped,
    };

    describe(settings, &plants, &topics, &outbox);
    let guards = thread("guard", async move {
        let running: Vec<_> = guard_tasks
            .into_iter()
            .map(|(setup, handle)| tokio::spawn(guard::run(setup, handle)))
            .collect();
        for guard in running {
            let _ = guard.await;
        }
    })?;
    let main = thread("bus", main.run())?;
    Ok(Bus { plants, outbox, topics, instance, stop, main: Some(main), guards: Some(guards) })
}

/// Runs a future on a thread with a runtime of its own.
fn thread(
    name: &str,
    work: impl Future<Output = ()> + Send + 'static,
) -> Result<JoinHandle<()>, BusError> {
    let runtime = runtime::Builder::new_current_thread().enable_all().build()?;
    Ok(std::thread::Builder::new().name(name.to_owned()).spawn(move || {
        runtime.block_on(work);
        // A host name that is still being looked up must not hold up the stop.
        runtime.shutdown_background();
    })?)
}

/// Puts everything that does not change into the outbox.
fn describe(settings: &Settings, plants: &[PlantBus], topics: &Topics, outbox: &Outbox) {
    let ids: Vec<&str> = plants.iter().map(|plant| plant.setup.plant.as_str()).collect();
    outbox.publish(
        &topics.daemon_description(),
        homie::daemon_description(settings, &ids).to_string(),
        true,
    );
    for plant in plants {
        let name = &settings.plants[&plant.setup.plant].name;
        outbox.publish(
            &topics.plant_description(&plant.setup.plant),
            homie::plant_description(&plant.setup, name, topics.daemon_id()).to_string(),
            true,
        );
        plant.state(DeviceState::Init);
    }
    outbox.publish(&topics.daemon_state(), DeviceState::Ready.word(), true);
}

impl Bus {
    /// The plants, in their order.
    pub fn plants(&self) -> &[PlantBus] {
        &self.plants
    }

    /// The outbox, for edges that publish on their own.
    pub fn outbox(&self) -> &Outbox {
        &self.outbox
    }

    /// The topics.
    pub fn topics(&self) -> &Topics {
        &self.topics
    }

    /// What tells this run of the daemon from any other.
    pub fn instance(&self) -> &str {
        &self.instance
    }

    /// Publishes what waits, marks daemon and plants as stopped, and disconnects the main connection.
    /// Waits for it, a few seconds at most. Call it after the journal is durable and before
    /// [`Bus::stop_guards`].
    pub fn stop_main(&mut self) {
        for plant in &self.plants {
            plant.alive.rest(REST);
            plant.state(DeviceState::Disconnected);
        }
        self.outbox.publish(&self.topics.daemon_state(), DeviceState::Disconnected.word(), true);
        self.stop.send_replace(true);
        join(self.main.take());
    }

    /// Ends the guards, last of all: DISCONNECT for those whose close was acknowledged (or where the
    /// plant says `on_stop = leave`); the others are dropped so that their will closes the valve.
    /// True when all said goodbye.
    pub fn stop_guards(&mut self) -> bool {
        let all: Vec<GuardHandle> =
            self.plants.iter().flat_map(|plant| plant.guards.iter().cloned()).collect();
        for plant in &self.plants {
            for guard in &plant.guards {
                guard.end(plant.setup.on_stop == OnStop::Leave);
            }
        }
        // The guards' own thread waits for them; this one only waits for that thread.
        let (done, finished) = mpsc::channel();
        let thread = self.guards.take();
        let waiting = std::thread::Builder::new().name("goodbye".into()).spawn(move || {
            join(thread);
            let _ = done.send(());
        });
        if waiting.is_err() || finished.recv_timeout(GOODBYE_MAX).is_err() {
            return false;
        }
        all.iter().all(GuardHandle::said_goodbye)
    }
}

fn join(thread: Option<JoinHandle<()>>) {
    if let Some(thread) = thread
        && thread.join().is_err()
    {
        tracing::error!("a thread of the bus has panicked");
    }
}

impl PlantBus {
    /// The driver has taken this event from its intake and is about to hand it to the engine. Needed
    /// for every event: opens are tied to the connection that the engine knew.
    pub fn taken(&self, event: &Event) {
        if let Event::GuardConnected { actuator } = event {
            self.guards[*actuator].connection_seen();
        }
    }

    /// Carries an output out, as far as the bus is concerned: commands through the guards, the rest
    /// to the outbox. Never blocks. `now` is the time of the event that brought the output.
    pub fn carry_out(&self, output: &Output, now: Mono) {
        match output {
            // A refused open is counted and logged by the guard; the engine does not wait for it.
            Output::Send(command) => {
                let _ = self.guards[command.actuator].send(command, now);
            }
            Output::DropGuard { actuator } => self.guards[*actuator].drop_for_proof(),
            _ => topics::publish_output(
                output,
                &self.setup,
                &self.topics,
                &self.instance,
                &self.outbox,
            ),
        }
    }

    /// Publishes the plant's `$state`.
    pub fn state(&self, state: DeviceState) {
        let mut said = self.said.lock().unwrap_or_else(PoisonError::into_inner);
        *said = state;
        if state == DeviceState::Ready {
            self.say_the_rest();
        }
        self.publish_state(state);
    }

    /// What was announced and never spoken of yet: an alarm that has not occurred is normal, a value
    /// that has not come is absent. A hub would show both as unknown.
    fn say_the_rest(&self) {
        use crate::engine::output::{AlarmState, Quality};
        let (setup, topics) = (&self.setup, &self.topics);
        for key in homie::alarm_keys(setup) {
            let normal = AlarmState::Normal.word();
            self.outbox.publish_first(&topics.alarm_active(setup, key), "false");
            self.outbox.publish_first(&topics.alarm(setup, key), normal);
        }
        for key in homie::value_keys(setup) {
            self.outbox.publish_first(&topics.quality(setup, key), Quality::Absent.word());
        }
    }

    /// While the engine is silent the plant is `lost`, whatever its driver said last: values that
    /// nobody renews must not look alive.
    fn show_life(&self, lives: bool) {
        // Held until it is out: else a `lost` that was read before the driver's `ready` goes out behind it
        // and stays.
        let said = self.said.lock().unwrap_or_else(PoisonError::into_inner);
        self.publish_state(if lives { *said } else { DeviceState::Lost });
    }

    fn publish_state(&self, state: DeviceState) {
        self.outbox.publish(&self.topics.plant_state(&self.setup.plant), state.word(), true);
    }

    /// The sign of life that keeps the guards connected.
    pub fn alive(&self) -> &Alive {
        &self.alive
    }

    /// The guards, in the order of the actuators.
    pub fn guards(&self) -> &[GuardHandle] {
        &self.guards
    }
}
