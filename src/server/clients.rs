//! How many connections may be open, of one client and of all.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// How many connections one address may have open; a browser opens six.
const MAX_CONNECTIONS_PER_ADDRESS: usize = 16;
/// How many connections may be open from other machines together.
const MAX_REMOTE_CONNECTIONS: usize = 64;
/// How many connections may be open from this machine, whose own they are.
const MAX_LOCAL_CONNECTIONS: usize = 64;

/// The clients with open connections.
#[derive(Clone, Debug, Default)]
pub(super) struct Clients {
    open: Arc<Mutex<BTreeMap<IpAddr, usize>>>,
}

/// The place of one connection, until it is dropped.
#[derive(Debug)]
pub(super) struct ConnectionPermit {
    clients: Clients,
    address: IpAddr,
}

impl Clients {
    /// A place for a connection from `address`, if there is one left. What comes from this machine, by its own address `own` too,
    /// has places of its own: other machines can't keep the owner out.
    pub(super) fn admit(&self, address: IpAddr, own: IpAddr) -> Option<ConnectionPermit> {
        let is_own = |a: IpAddr| a.is_loopback() || a == own;
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let of_one = open.get(&address).copied().unwrap_or(0);
        let full = if is_own(address) {
            of_one >= MAX_LOCAL_CONNECTIONS
        } else {
            let others = open.iter().filter(|(a, _)| !is_own(**a));
            of_one >= MAX_CONNECTIONS_PER_ADDRESS
                || others.map(|(_, n)| n).sum::<usize>() >= MAX_REMOTE_CONNECTIONS
        };
        if full {
            return None;
        }
        open.insert(address, of_one + 1);
        Some(ConnectionPermit {
            clients: self.clone(),
            address,
        })
    }
}

impl Drop for ConnectionPermit {
    fn drop(&mut self) {
        let mut open = self
            .clients
            .open
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = open.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                open.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_takes_all_the_places() {
        let address = |n: u8| IpAddr::from([192, 0, 2, n]);
        let (clients, own) = (Clients::default(), address(1));
        let mut places = Vec::new();
        for n in 2..=200 {
            while let Some(place) = clients.admit(address(n), own) {
                places.push(place);
            }
        }
        assert_eq!(places.len(), MAX_REMOTE_CONNECTIONS);
        let of_first = places.iter().filter(|p| p.address == address(2)).count();
        assert_eq!(of_first, MAX_CONNECTIONS_PER_ADDRESS);
        for owner in [own, IpAddr::from([127, 0, 0, 1])] {
            assert!(clients.admit(owner, own).is_some());
        }
        places.clear();
        assert!(clients.admit(address(3), own).is_some());
        assert_eq!(clients.open.lock().expect("clients").len(), 0);
    }
}
