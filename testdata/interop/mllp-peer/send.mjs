// Sends HL7 v2 messages over MLLP with a client of others: taken apart, written and framed by the client's own code, one after the
// other, and the acknowledgement as the client reads it.
//
// node send.mjs node-hl7-client|simple-hl7 PORT    messages as JSON strings on standard input, one a line; prints one JSON line each
import { createInterface } from 'node:readline';
import { Client, Message } from 'node-hl7-client';
import simple from 'simple-hl7';

const [client, port] = [process.argv[2], Number(process.argv[3])];

function bySimple(text) {
  return new Promise((resolve, reject) => {
    const tcp = simple.Server.createTcpClient('127.0.0.1', port);
    tcp.send(new simple.Parser().parse(text), (err, ack) => {
      if (err) return reject(err);
      const msa = ack.getSegment('MSA');
      resolve({ code: String(msa.getField(1)), control: String(msa.getField(2)) });
    });
  });
}

let answered;
let connection;

async function byNode(text) {
  if (!connection) {
    connection = new Client({ host: '127.0.0.1' }).createConnection({ port, waitAck: true }, async (res) => {
      const ack = res.getMessage();
      answered({ code: ack.get('MSA.1').toString(), control: ack.get('MSA.2').toString() });
    });
    await new Promise((ready) => connection.on('connect', ready));
  }
  const answer = new Promise((resolve) => { answered = resolve; });
  await connection.sendMessage(new Message({ text }));
  return answer;
}

const send = { 'node-hl7-client': byNode, 'simple-hl7': bySimple }[client];
for await (const line of createInterface({ input: process.stdin })) console.log(JSON.stringify(await send(JSON.parse(line))));
process.exit(0);
