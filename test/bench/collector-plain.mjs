// The plain subscriber: appends what comes as lines of JSON to one file. Nothing is synced, checked, sorted or confirmed.
//   node collector-plain.mjs BROKER_URL FILE
import { createWriteStream } from 'node:fs'
import { connectAsync } from 'mqtt'

const [url, file] = process.argv.slice(2)
const out = createWriteStream(file, { flags: 'a' })
const client = await connectAsync(url, { clientId: 'plain-subscriber', protocolVersion: 5 })
let taken = 0
client.on('message', (topic, payload) => {
  const message = JSON.parse(payload.toString())
  for (const one of Array.isArray(message) ? message : [message])
    out.write(JSON.stringify({ topic, ...one }) + '\n')
  // So that the sender does not run away; a script at home has no need of it.
  if (++taken % 100 === 0) client.publish('plain/taken', String(taken), { qos: 1 })
})
await client.subscribeAsync('motepost/1/bench/#', { qos: 1 })
console.log('ready')
process.on('SIGTERM', () => process.exit(0))
