/** What a connection to a broker is made of: options, the socket, and how the client library is told. */
import { connect as connectTcp, isIP, type LookupFunction, type Socket } from 'node:net'
import { connect as connectTls } from 'node:tls'
import type { IClientOptions } from 'mqtt'
import type { Will } from '../terms/terms.js'
import { largestPacketBytes, PacketGuard } from './mqtt-guard.js'
import type { Resolve } from './name-lookup.js'

export interface MqttOptions {
  readonly host: string
  readonly port: number
  readonly protocol: 5 | 4
  /** Fixed: a session of the same name goes on where it was. */
  readonly clientId: string
  readonly username?: string
  readonly password?: string
  readonly keepaliveSeconds: number
  readonly connectLimitSeconds: number
  /** For each publish. */
  readonly answerLimitSeconds: number
  /** How long the broker keeps the session of an absent client (MQTT 5; 3.1.1 brokers decide themselves). */
  readonly sessionExpirySeconds: number
  readonly tls?: {
    /** PEM texts. Without `ca` the system's list is used. */
    readonly ca?: string
    readonly cert?: string
    readonly key?: string
    /** The name the certificate must have, where it is not the host's. */
    readonly servername?: string
  }
  /** What looks names up; absent: the system. */
  readonly resolve?: Resolve
  /** A look-up that takes longer is gone on without. */
  readonly lookupLimitSeconds?: number
  /** The addresses that this board has now; absent: as the system says. */
  readonly ownAddresses?: () => readonly string[]
}

export const usualMqtt = {
  protocol: 5,
  keepaliveSeconds: 900,
  connectLimitSeconds: 30,
  answerLimitSeconds: 60,
  sessionExpirySeconds: 7 * 86_400,
} as const

/** For each address of a name that has several; node's own 250 ms is too short for a slow link. */
const perAddressMillis = 8000
export function openSocket({ host, port, tls }: MqttOptions, lookup: LookupFunction): Socket {
  const address = { host, port, lookup, noDelay: true, autoSelectFamilyAttemptTimeout: perAddressMillis }
  if (!tls) return guarded(connectTcp(address))
  const servername = tls.servername ?? (isIP(host) ? undefined : host)
  const { ca, cert, key } = tls
  return guarded(connectTls({ ...address, ca, cert, key, servername, rejectUnauthorized: true }))
}

/** Ends the connection before its reader holds what nobody asked for. */
function guarded<S extends Socket>(socket: S): S {
  const guard = new PacketGuard()
  socket.on('data', (bytes: Buffer) => {
    const wrong = guard.take(bytes)
    if (wrong !== undefined) socket.destroy(Object.assign(new Error(wrong), { code: 'EPROTO' }))
  })
  return socket
}

export function clientOptions(options: MqttOptions, will: Will | undefined): IClientOptions {
  const five = options.protocol === 5
  return {
    protocolVersion: options.protocol,
    clientId: options.clientId,
    username: options.username,
    password: options.password,
    clean: false,
    keepalive: options.keepaliveSeconds,
    reconnectPeriod: 0,
    connectTimeout: options.connectLimitSeconds * 1000,
    queueQoSZero: false,
    resubscribe: false,
    manualConnect: true,
    ...(five
      ? {
          properties: {
            sessionExpiryInterval: options.sessionExpirySeconds,
            maximumPacketSize: largestPacketBytes,
          },
        }
      : {}),
    ...(will
      ? {
          will: {
            topic: will.topic,
            payload: Buffer.from(will.payload),
            qos: 1,
            retain: will.retain,
            ...(five ? { properties: { willDelayInterval: will.delaySeconds } } : {}),
          },
        }
      : {}),
  }
}
