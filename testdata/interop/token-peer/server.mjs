// An authorization server that nobody here wrote: oidc-provider checks the signed statements of clients (private_key_jwt) and grants
// tokens (client_credentials). It hears the loopback interface only and stores nothing.
//
//   CLIENTS   JSON: {"<client_id>": {"alg": "RS384" | "ES384", "jwks": {"keys": [...]}}}; the JWKS holds public keys
//   SCOPES    what any client may have, with spaces; what else is asked for is left out of the grant
//   PORT      0 picks one
//   LIFE      seconds that a token holds, 300 if absent
//
// It prints one line, "listening " and the address of its token endpoint, and ends when its standard input closes.
import http from 'node:http';
import Provider from 'oidc-provider';

const { CLIENTS = '{}', SCOPES = '', PORT = '0', LIFE = '300' } = process.env;

// The address is part of what a statement is made out to, so the port is taken before the provider is made.
let answer = (req, res) => res.writeHead(503).end();
const server = http.createServer((req, res) => answer(req, res));

server.listen(Number(PORT), '127.0.0.1', () => {
  const issuer = `http://127.0.0.1:${server.address().port}`;
  const provider = new Provider(issuer, {
    scopes: SCOPES.split(' ').filter(Boolean),
    clients: Object.entries(JSON.parse(CLIENTS)).map(([id, { alg, jwks }]) => ({
      client_id: id,
      jwks,
      token_endpoint_auth_method: 'private_key_jwt',
      token_endpoint_auth_signing_alg: alg,
      grant_types: ['client_credentials'],
      response_types: [],
      redirect_uris: [],
      scope: SCOPES || undefined,
    })),
    clientAuthMethods: ['private_key_jwt'],
    enabledJWA: { clientAuthSigningAlgValues: ['RS384', 'ES384'] },
    features: { clientCredentials: { enabled: true }, devInteractions: { enabled: false } },
    ttl: { ClientCredentials: Number(LIFE) },
  });
  provider.on('server_error', (ctx, err) => console.error(err));
  provider.on('grant.error', (ctx, err) => console.error(err.error, err.error_detail ?? err.error_description));
  answer = provider.callback();
  console.log(`listening ${issuer}/token`);
});

process.stdin.resume();
process.stdin.on('end', () => process.exit(0));
process.stdin.on('error', () => process.exit(0));
