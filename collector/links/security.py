"""Modbus/TCP Security: who is trusted, and what to tell when trust fails.

The panel's certificate must be signed by the authority the plant file names, be valid today, and
carry the panel's name; ours is shown if the panel asks. TLS 1.2 is the least (MODBUS/TCP Security
Protocol Specification, MB-TCP-Security-v21, section 8; from memory).
"""

from __future__ import annotations

import ssl

from collector.links.faults import NoConnection, NotTrusted, ReadFault
from collector.plant.model import TlsLink

# X509_V_ERR_... numbers of OpenSSL, x509_vfy.h (documented in X509_STORE_CTX_get_error(3)).
NOT_YET_VALID, EXPIRED = 9, 10
UNKNOWN_ISSUER = (2, 18, 19, 20, 21)
WRONG_NAME = (62, 64)


def tls_context(link: TlsLink) -> ssl.SSLContext:
    """How to speak TLS on a link. Files are read each time, so that renewed ones are taken up.

    Raises:
        NoConnection: a file is missing or is no certificate or key; the text names it.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # checks the chain and the name
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    what, files = "authority_file", link.authority_file
    try:
        context.load_verify_locations(cafile=link.authority_file)
        if link.certificate_file is not None:
            what, files = "certificate_file", link.certificate_file
            if link.key_file is not None:
                what, files = "certificate_file and key_file", f"{files} and {link.key_file}"
            # An empty password, else OpenSSL asks for one on the terminal.
            context.load_cert_chain(link.certificate_file, link.key_file, password="")
    except ssl.SSLError as error:
        raise NoConnection(
            f"{what} of the link cannot be used: {files}: found something else, expected PEM files "
            "(certificates, a key without password that belongs to them)"
        ) from error
    except OSError as error:
        raise NoConnection(
            f"{what} of the link cannot be read: {files}: {error.strerror}"
        ) from error
    return context


def maybe_tls_fault(link: TlsLink, error: Exception | None) -> ReadFault | None:
    """What an error of a TLS connection means for people, or None if it is not about TLS.

    Args:
        link: the link.
        error: what ended the handshake, or the connection before its first reply.
    """
    where = f"{link.host}:{link.port}"
    if isinstance(error, ConnectionResetError):
        return NoConnection(
            f"no connection to {where}: it hung up on the TLS handshake; "
            "it may not trust our certificate (certificate_file)"
        )
    if isinstance(error, ssl.SSLCertVerificationError):
        return NotTrusted(f"the certificate of {where} {_certificate_problem(link, error)}")
    if not isinstance(error, ssl.SSLError):
        return None
    reason = (error.reason or "").lower().replace("_", " ")
    wants_one = link.certificate_file is None and "handshake failure" in reason  # TLS 1.2
    if "alert" in reason and ("certificate" in reason or "unknown ca" in reason or wants_one):
        shown = link.certificate_file or "none was shown (certificate_file is not set)"
        return NotTrusted(
            f"{where} refused our certificate ({reason}): {shown}; "
            "use one signed by an authority the panel trusts"
        )
    if reason in ("wrong version number", "unsupported protocol", "http request"):
        return NoConnection(
            f"no connection to {where}: it does not speak TLS 1.2 or later there; "
            "check the port, or whether the link is of kind 'tcp'"
        )
    return NoConnection(f"no connection to {where}: TLS failed ({reason or error})")


def _certificate_problem(link: TlsLink, error: ssl.SSLCertVerificationError) -> str:
    if error.verify_code in UNKNOWN_ISSUER:
        return (
            f"is not signed by the authority in {link.authority_file}; "
            "name the file of the authority that signed it as authority_file"
        )
    if error.verify_code in WRONG_NAME:
        name = link.server_name or link.host
        return f"does not carry the name '{name}'; give the name it carries as server_name"
    if error.verify_code == EXPIRED:
        return "has expired; renew it in the panel, or set this machine's clock right"
    if error.verify_code == NOT_YET_VALID:
        return "is not valid yet; set the clocks of this machine and the panel right"
    return f"was refused: {error.verify_message}"
