import { connect, type LookupFunction, type Socket } from 'node:net'

/** For each address of a name that has several; node's own 250 ms is too short for a slow link. */
export const perAddressMillis = 8000

/** An open TCP connection; rejects with node's error. The caller bounds the time and destroys it. */
export function openTcp(
  host: string,
  port: number,
  lookup: LookupFunction,
  opened: (socket: Socket) => void,
): Promise<Socket> {
  return new Promise((resolve, reject) => {
    const socket = connect({
      host,
      port,
      lookup,
      noDelay: true,
      autoSelectFamilyAttemptTimeout: perAddressMillis,
    })
    opened(socket)
    // It stays: an error after the end of the attempt has nobody else who hears it.
    socket.on('error', reject)
    socket.once('connect', () => resolve(socket))
    socket.once('close', () => reject(Object.assign(new Error('closed'), { code: 'ECONNRESET' })))
  })
}
