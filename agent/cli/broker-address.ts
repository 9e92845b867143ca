import type { MqttOptions } from '../hardware/mqtt-broker.js'

/** A host as sockets take it: an IPv6 address without its brackets. */
export const hostOf = (at: URL): string => at.hostname.replace(/^\[|\]$/g, '')

/**
 * Host, port and encryption of mqtt://host:port or mqtts://host:port; 1883 and 8883 where no port is given.
 * @param tls certificates, used with mqtts only
 */
export function brokerAddress(at: URL, tls: MqttOptions['tls']): Pick<MqttOptions, 'host' | 'port' | 'tls'> {
  const secure = at.protocol === 'mqtts:'
  return { host: hostOf(at), port: Number(at.port || (secure ? 8883 : 1883)), tls: secure ? tls : undefined }
}
