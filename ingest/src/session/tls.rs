//! TLS to the broker, by rustls with ring.

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Files for TLS, PEM.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct TlsFiles {
    /// The authority that signed the broker's certificate; `None`: the system's authorities.
    pub ca: Option<PathBuf>,
    /// Our certificate (with its chain) and its key, where the broker asks for one.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// Why TLS could not be set up.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read, or is not PEM.
    #[error("the {what} {} cannot be read as PEM; check its path and permissions", path.display())]
    File {
        /// What the file is for.
        what: &'static str,
        /// Where it is.
        path: PathBuf,
        /// Why.
        #[source]
        source: rustls::pki_types::pem::Error,
    },
    /// The file holds no certificate.
    #[error("there is no certificate in {}", .0.display())]
    Empty(PathBuf),
    /// The system has no authorities.
    #[error("this system has no certificate authorities; name the broker's by the CA file")]
    NoAuthorities,
    /// Certificate and key do not fit together.
    #[error("the client's certificate and key cannot be used")]
    Client(#[source] rustls::Error),
    /// TLS itself cannot be set up.
    #[error("TLS cannot be set up")]
    Setup(#[source] rustls::Error),
}

impl TlsFiles {
    /// Reads the files.
    pub fn client_config(&self) -> Result<Arc<ClientConfig>, TlsError> {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let builder = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(TlsError::Setup)?
            .with_root_certificates(self.roots()?);
        let config = match &self.client {
            None => builder.with_no_client_auth(),
            Some((certificate, key)) => {
                let chain = certificates("client certificate", certificate)?;
                let key = PrivateKeyDer::from_pem_file(key).map_err(|source| TlsError::File {
                    what: "client key",
                    path: key.clone(),
                    source,
                })?;
                builder
                    .with_client_auth_cert(chain, key)
                    .map_err(TlsError::Client)?
            }
        };
        Ok(Arc::new(config))
    }

    fn roots(&self) -> Result<RootCertStore, TlsError> {
        let mut roots = RootCertStore::empty();
        match &self.ca {
            Some(path) => {
                for certificate in certificates("CA file", path)? {
                    roots.add(certificate).map_err(TlsError::Setup)?;
                }
            }
            None => {
                roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
                if roots.is_empty() {
                    return Err(TlsError::NoAuthorities);
                }
            }
        }
        Ok(roots)
    }
}

fn certificates(what: &'static str, path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let file = |source| TlsError::File {
        what,
        path: path.to_owned(),
        source,
    };
    let certificates: Vec<_> = CertificateDer::pem_file_iter(path)
        .map_err(file)?
        .collect::<Result<_, _>>()
        .map_err(file)?;
    if certificates.is_empty() {
        return Err(TlsError::Empty(path.to_owned()));
    }
    Ok(certificates)
}
