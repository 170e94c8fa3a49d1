//! TLS under PostgreSQL's protocol: the service's own rustls configuration, handed to the driver.
//!
//! Not the crate there is for it: that one brings a parser of certificates and nine more packages for binding the login to
//! the channel, which adds nothing where the server's certificate is always checked.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_postgres::tls::{ChannelBinding, MakeTlsConnect, TlsConnect, TlsStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::ClientConfig;
use tokio_rustls::rustls::pki_types::ServerName;

/// Makes the connections of one historian.
#[derive(Clone)]
pub struct MakeTls(Arc<ClientConfig>);

/// Makes one of them.
pub struct Connect {
    connector: TlsConnector,
    name: ServerName<'static>,
}

/// An encrypted connection.
pub struct Encrypted<S>(tokio_rustls::client::TlsStream<S>);

impl MakeTls {
    /// Under this configuration.
    pub fn new(config: Arc<ClientConfig>) -> Self {
        Self(config)
    }
}

impl<S> MakeTlsConnect<S> for MakeTls
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    type Stream = Encrypted<S>;
    type TlsConnect = Connect;
    type Error = io::Error;

    fn make_tls_connect(&mut self, host: &str) -> io::Result<Connect> {
        let name = ServerName::try_from(host.to_owned());
        let name = name.map_err(|error| io::Error::new(io::ErrorKind::InvalidInput, error))?;
        Ok(Connect { connector: TlsConnector::from(self.0.clone()), name })
    }
}

impl<S> TlsConnect<S> for Connect
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    type Stream = Encrypted<S>;
    type Error = io::Error;
    type Future = Pin<Box<dyn Future<Output = io::Result<Encrypted<S>>> + Send>>;

    fn connect(self, stream: S) -> Self::Future {
        let Self { connector, name } = self;
        Box::pin(async move { Ok(Encrypted(connector.connect(name, stream).await?)) })
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> TlsStream for Encrypted<S> {
    fn channel_binding(&self) -> ChannelBinding {
        ChannelBinding::none()
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncRead for Encrypted<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_read(cx, into)
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Encrypted<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.0).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_shutdown(cx)
    }
}
