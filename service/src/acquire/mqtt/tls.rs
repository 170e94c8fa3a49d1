//! TLS to the broker by rustls: the files of the configuration → a client configuration, and a failed handshake → one
//! sentence that says what to mend.
//!
//! TLS 1.2 and 1.3 with *ring*, the provider named here and not taken from the process, so that no second one compiled
//! in by somebody else can decide. Certificates are always checked; there is no setting that skips it. Names stand in
//! the certificate's subjectAltName: a common name alone is not looked at.

use rumqttc::{TlsConfiguration, Transport};
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::{
    AlertDescription, CertificateError, ClientConfig, DigitallySignedStruct, Error, RootCertStore, SignatureScheme,
};
use std::error::Error as StdError;
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;

/// What the configuration names.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TlsFiles {
    /// PEM file with the certificates of those who may vouch for the broker; the system's own when absent.
    pub ca_file: Option<PathBuf>,
    /// PEM file with our certificate and those between it and the broker's authority.
    pub certificate_file: Option<PathBuf>,
    /// PEM file with its key, unencrypted.
    pub key_file: Option<PathBuf>,
    /// Name the broker's certificate must bear; the host of the URL when absent.
    pub server_name: Option<String>,
}

/// A fault of one of the files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFault {
    /// Which setting: `ca_file`, `certificate_file`, `key_file`, `server_name`.
    pub setting: &'static str,
    /// Readable after it.
    pub rule: String,
}

/// A client configuration, ready for any number of connections.
#[derive(Clone)]
pub struct Tls(Arc<ClientConfig>);

impl fmt::Debug for Tls {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Not the configuration: it holds the key.
        f.write_str("Tls")
    }
}

/// The same one.
impl PartialEq for Tls {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0)
    }
}

impl Tls {
    /// Reads the files.
    ///
    /// # Errors
    /// The first fault of each file.
    pub fn new(files: &TlsFiles) -> Result<Self, Vec<TlsFault>> {
        let mut faults = Vec::new();
        let mut keep = |found: Result<_, TlsFault>| found.map_err(|fault| faults.push(fault)).ok();
        let roots = keep(roots(files));
        let identity = match identity(files) {
            Ok(identity) => Some(identity),
            Err(found) => {
                faults.extend(found);
                None
            }
        };
        let name = match files.server_name.clone().map(ServerName::try_from).transpose() {
            Ok(name) => Some(name),
            Err(_) => {
                faults.push(fault("server_name", "must be a host name or an address as it stands in the certificate"));
                None
            }
        };
        let (Some(roots), Some(identity), Some(name)) = (roots, identity, name) else { return Err(faults) };
        client(roots, identity, name).map(|config| Self(Arc::new(config))).map_err(|fault| vec![fault])
    }

    /// For another protocol.
    pub(crate) fn client_config(&self) -> Arc<ClientConfig> {
        self.0.clone()
    }

    /// For the client crate.
    pub(super) fn transport(&self) -> Transport {
        Transport::tls_with_config(TlsConfiguration::Rustls(self.0.clone()))
    }
}

fn fault(setting: &'static str, rule: impl Into<String>) -> TlsFault {
    TlsFault { setting, rule: rule.into() }
}

type Identity = Option<(Vec<CertificateDer<'static>>, PrivateKeyDer<'static>)>;

fn client(
    roots: RootCertStore,
    identity: Identity,
    name: Option<ServerName<'static>>,
) -> Result<ClientConfig, TlsFault> {
    let provider = Arc::new(ring::default_provider());
    let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider.clone())
        .build()
        .map_err(|error| fault("ca_file", format!("cannot be used: {error}")))?;
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| fault("ca_file", format!("cannot be used: {error}")))?
        // "Dangerous" is what rustls calls any verifier of one's own; this one adds nothing but a name.
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Named { verifier, name }));
    match identity {
        None => Ok(builder.with_no_client_auth()),
        Some((chain, key)) => builder.with_client_auth_cert(chain, key).map_err(|error| match error {
            Error::InconsistentKeys(_) => {
                fault("key_file", "must hold the key of the certificate in certificate_file; it is the key of another")
            }
            error => fault("certificate_file", format!("cannot be used: {error}")),
        }),
    }
}

fn roots(files: &TlsFiles) -> Result<RootCertStore, TlsFault> {
    let mut roots = RootCertStore::empty();
    let Some(path) = &files.ca_file else {
        let found = rustls_native_certs::load_native_certs();
        roots.add_parsable_certificates(found.certs);
        return match roots.is_empty() {
            true => Err(fault(
                "ca_file",
                "is needed: this system has no certificates of its own (Debian: install ca-certificates)",
            )),
            false => Ok(roots),
        };
    };
    for certificate in certificates("ca_file", path)? {
        let rule = |error| format!("must hold certificates of authorities in PEM form: {error}");
        roots.add(certificate).map_err(|error| fault("ca_file", rule(error)))?;
    }
    Ok(roots)
}

fn certificates(setting: &'static str, path: &PathBuf) -> Result<Vec<CertificateDer<'static>>, TlsFault> {
    let bytes =
        std::fs::read(path).map_err(|error| fault(setting, format!("must be a file that can be read: {error}")))?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&bytes).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        Ok(_) => Err(fault(
            setting,
            "must hold a certificate in PEM form (-----BEGIN CERTIFICATE-----); there is none in it",
        )),
        Err(error) => Err(fault(setting, format!("must hold certificates in PEM form: {error}"))),
    }
}

fn identity(files: &TlsFiles) -> Result<Identity, Vec<TlsFault>> {
    let (path, key_path) = match (&files.certificate_file, &files.key_file) {
        (None, None) => return Ok(None),
        (Some(_), None) => return Err(vec![fault("key_file", "is needed beside certificate_file")]),
        (None, Some(_)) => return Err(vec![fault("certificate_file", "is needed beside key_file")]),
        (Some(path), Some(key_path)) => (path, key_path),
    };
    let chain = certificates("certificate_file", path);
    let key = crate::config::secret::read_private(key_path).map_err(|rule| fault("key_file", rule)).and_then(|text| {
        PrivateKeyDer::from_pem_slice(text.as_bytes()).map_err(|_| {
            let encrypted = text.contains("ENCRYPTED");
            let hint =
                if encrypted { "this one is encrypted: openssl pkey -in OLD -out NEW" } else { "there is none in it" };
            fault("key_file", format!("must hold an unencrypted private key in PEM form; {hint}"))
        })
    });
    match (chain, key) {
        (Ok(chain), Ok(key)) => Ok(Some((chain, key))),
        (chain, key) => Err(chain.err().into_iter().chain(key.err()).collect()),
    }
}

/// The usual checks, against a name of the configuration instead of the host that is connected to.
#[derive(Debug)]
struct Named {
    verifier: Arc<WebPkiServerVerifier>,
    name: Option<ServerName<'static>>,
}

impl ServerCertVerifier for Named {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        host: &ServerName<'_>,
        ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let name = self.name.as_ref().unwrap_or(host);
        self.verifier.verify_server_cert(end_entity, intermediates, name, ocsp_response, now)
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.verifier.verify_tls12_signature(message, certificate, signed)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.verifier.verify_tls13_signature(message, certificate, signed)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.verifier.supported_verify_schemes()
    }
}

/// What TLS said, in an error of the client crate and whatever it wraps: what is wrong, and what to mend.
pub(super) fn explain(error: &(dyn StdError + 'static)) -> Option<(String, &'static str)> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(tls) = error.downcast_ref::<Error>() {
            return Some(sentence(tls));
        }
        // An I/O error's `source` leaves out the very error it was made of.
        let inner = error.downcast_ref::<std::io::Error>().and_then(std::io::Error::get_ref);
        next = inner.map(|inner| inner as &(dyn StdError + 'static)).or_else(|| error.source());
    }
    None
}

/// A handshake that ended without a word from either side.
pub(super) fn cut_off(error: &dyn fmt::Display) -> (String, &'static str) {
    let what = format!("the connection ended during the TLS handshake ({error})");
    (what, "the port: mqtts:// needs the broker's TLS listener, 8883 as a rule; the broker's log may say more")
}

fn sentence(error: &Error) -> (String, &'static str) {
    use CertificateError as Bad;
    let (what, mend) = match error {
        Error::InvalidCertificate(Bad::Expired | Bad::ExpiredContext { .. }) => {
            ("the broker's certificate has expired", "renew it on the broker, or set this machine's clock right")
        }
        Error::InvalidCertificate(Bad::NotValidYet | Bad::NotValidYetContext { .. }) => {
            ("the broker's certificate is not valid yet", "set the clocks of both machines right")
        }
        Error::InvalidCertificate(Bad::NotValidForName | Bad::NotValidForNameContext { .. }) => (
            "the broker's certificate is for another name",
            "connect by a name in its subjectAltName (a common name alone does not count), or set broker.server_name",
        ),
        Error::InvalidCertificate(Bad::UnknownIssuer | Bad::BadSignature) => (
            "the broker's certificate was not issued by an authority we trust",
            "broker.ca_file must hold the certificate of the authority that issued it",
        ),
        Error::InvalidCertificate(Bad::Revoked) => {
            ("the broker's certificate has been revoked", "give the broker a new one")
        }
        Error::InvalidCertificate(Bad::Other(other)) if other.to_string().contains("CaUsedAsEndEntity") => (
            "the broker shows its authority's own certificate",
            "issue it one of its own that is no authority's (basicConstraints CA:FALSE)",
        ),
        Error::InvalidCertificate(_) => {
            ("the broker's certificate cannot be accepted", "look at it with openssl x509 -text")
        }
        Error::AlertReceived(AlertDescription::CertificateRequired) => {
            ("the broker wants a certificate from us", "set broker.certificate_file and broker.key_file")
        }
        Error::AlertReceived(AlertDescription::CertificateExpired) => {
            ("the broker says that our certificate has expired", "renew broker.certificate_file and start again")
        }
        Error::AlertReceived(AlertDescription::CertificateRevoked) => {
            ("the broker says that our certificate has been revoked", "renew broker.certificate_file and start again")
        }
        Error::AlertReceived(
            AlertDescription::UnknownCA
            | AlertDescription::BadCertificate
            | AlertDescription::CertificateUnknown
            | AlertDescription::UnsupportedCertificate
            | AlertDescription::AccessDenied
            | AlertDescription::DecryptError,
        ) => (
            "the broker does not accept our certificate",
            "broker.certificate_file must be issued by the authority in the broker's cafile",
        ),
        Error::AlertReceived(AlertDescription::ProtocolVersion) | Error::PeerIncompatible(_) => {
            ("the broker speaks no TLS 1.2 or 1.3 that we know", "let it speak TLS 1.2 or later")
        }
        Error::AlertReceived(AlertDescription::HandshakeFailure) => (
            "the broker ended the handshake",
            "it may want a certificate (broker.certificate_file), or speak other ciphers; its log says which",
        ),
        Error::InvalidMessage(_) => {
            ("what answers there speaks no TLS", "the port: mqtts:// needs the broker's TLS listener, 8883 as a rule")
        }
        _ => ("TLS with the broker failed", "the broker's log says why"),
    };
    (format!("{what} ({error})"), mend)
}
