"""A real SMTP server (aiosmtpd, with STARTTLS and login) and a webhook receiver. Each line of output is
one message in JSON. Arguments: smtp PORT CERT KEY | hook PORT"""

import json
import ssl
import sys
import threading
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

LOCK = threading.Lock()


def tell(message):
    with LOCK:
        print(json.dumps(message), flush=True)


class Mailbox:
    async def handle_DATA(self, server, session, envelope):
        mail = message_from_bytes(envelope.content, policy=policy.default)
        tell({"to": envelope.rcpt_tos, "id": mail["message-id"], "subject": mail["subject"],
              "body": mail.get_content(), "tls": session.ssl is not None})
        return "250 taken"


class Hook(BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        tell({"type": self.headers["content-type"], "event": json.loads(body)})
        self.send_response(202)
        self.end_headers()

    def log_message(self, *_):
        pass


def smtp(port, certificate, key):
    from aiosmtpd.controller import Controller
    from aiosmtpd.smtp import AuthResult

    def login(server, session, envelope, mechanism, data):
        # Not handled here: the server itself says that the password is wrong.
        is_right = (data.login, data.password) == (b"larder", b"pollen")
        return AuthResult(success=is_right, handled=False)

    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(certificate, key)
    controller = Controller(Mailbox(), hostname="127.0.0.1", port=port, tls_context=tls,
                            require_starttls=True, auth_required=True, authenticator=login)
    controller.start()
    tell({"ready": True})
    threading.Event().wait()


def hook(port):
    server = ThreadingHTTPServer(("127.0.0.1", port), Hook)
    tell({"ready": True})
    server.serve_forever()


if sys.argv[1] == "smtp":
    smtp(int(sys.argv[2]), sys.argv[3], sys.argv[4])
else:
    hook(int(sys.argv[2]))
