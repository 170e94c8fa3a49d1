//! A listener that serves a bounded number of connections and drops those on which nothing happens.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep};

/// A connection on which nothing was read or written for this long is closed.
const IDLE: Duration = Duration::from_secs(60);

/// The listener.
pub struct Limited {
    listener: TcpListener,
    permits: Arc<Semaphore>,
}

impl Limited {
    /// Serves at most `connections` at a time; further ones wait in the system's queue.
    pub fn new(listener: TcpListener, connections: usize) -> Self {
        Self { listener, permits: Arc::new(Semaphore::new(connections)) }
    }
}

impl axum::serve::Listener for Limited {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        // The semaphore is never closed, so a permit always comes.
        let permit = self.permits.clone().acquire_owned().await.ok();
        // Waits and tries again after an error (no file descriptor left, for one).
        let (stream, from) = axum::serve::Listener::accept(&mut self.listener).await;
        (Connection { stream, idle: Box::pin(tokio::time::sleep(IDLE)), _permit: permit }, from)
    }

    fn local_addr(&self) -> io::Result<Self::Addr> {
        self.listener.local_addr()
    }
}

/// A connection with its place.
pub struct Connection {
    stream: TcpStream,
    idle: Pin<Box<Sleep>>,
    _permit: Option<OwnedSemaphorePermit>,
}

impl Connection {
    fn watched<T>(&mut self, context: &mut Context<'_>, done: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if done.is_ready() {
            self.idle.as_mut().reset(Instant::now() + IDLE);
            return done;
        }
        match self.idle.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let done = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.watched(context, done)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let done = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watched(context, done)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
